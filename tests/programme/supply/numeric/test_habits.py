"""How a person's next figures are drawn from their own and from everybody's."""

import numpy as np
import pytest

from programme.supply.numeric.habits import STRENGTHS, Decided, Pool, Urn, middle_of, pool_of, tells_from, visits_of

NO_POOL = Pool()


def urn(own, pool=NO_POOL, n_paths=20_000, least=1):
    return Urn(own, pool, np.random.default_rng(5), n_paths, least=least)


@pytest.mark.parametrize(
    ("decided", "place"),
    [
        (None, 0),
        (Decided(41, 106), 0),  # six days from the middle of 35: what they did still tells
        (Decided(21, 106), 3),  # a fortnight from it: only the gap that began on day 106
        (Decided(21, 107), 4),
        (Decided(21, 128), 5),
        (Decided(42, 0), 0),  # decided before all of them: they are how it is kept
    ],
)
def test_what_was_before_another_interval_was_decided_tells_nothing(decided, place):
    """Gaps of 35, 35, 36 and 21 days, their median 35: by hand."""
    assert tells_from((0, 35, 70, 106, 127), decided) == place


def test_the_days_of_a_series_are_one_visit():
    """Law: with a series among them, somebody comes as often as without. Six gaps of 28 days and one of a day would
    draw every seventh visit for the next morning."""
    sessions = [(28 * n, 6) for n in range(7)]
    with_series = [*sessions[:4], (28 * 3 + 1, 2), (28 * 3 + 4, 1), *sessions[4:]]
    visits = visits_of(with_series)
    assert [day for day, _ in visits] == [0, 28, 56, 88, 112, 140, 168]
    assert [units for _, units in visits] == [6, 6, 6, 9, 6, 6, 6]
    assert visits_of([(0, 4), (1, None), (8, 3)]) == [(1, None), (8, 3)]
    assert visits_of(sessions) == sessions
    assert visits_of([]) == []


def test_without_a_pool_only_own_figures_are_drawn_each_as_often():
    drawn = urn((20, 28, 28, 41)).draw()
    values, counts = np.unique(drawn, return_counts=True)
    assert values.tolist() == [20, 28, 41]
    assert counts / drawn.size == pytest.approx([0.25, 0.5, 0.25], abs=0.015)


def test_of_many_draws_on_a_path_the_shares_follow_the_urn_of_polya():
    """The limiting share of a colour with one ball among n is Beta(1, n - 1) Blackwell and MacQueen, Ann Stat
    1973;1:353-5), so that m draws on a path are beta-binomial."""
    one, many = urn((1, 2, 3, 4), n_paths=6000), 60
    share = np.mean([one.draw() == 1 for _ in range(many)], axis=0)
    expected = 0.25 * 0.75 / many * (1 + (many - 1) / (4 + 1))  # beta-binomial with a = 1, b = 3
    assert share.mean() == pytest.approx(0.25, abs=0.01)
    assert share.var() == pytest.approx(expected, rel=0.08)


def test_the_pool_is_drawn_in_the_measure_of_its_strength_about_the_persons_middle():
    drawn = urn((28, 28, 28, 28, 28, 28), Pool(np.array([14]), strength=2.0)).draw()
    assert set(np.unique(drawn)) == {28, 42}
    assert (drawn == 42).mean() == pytest.approx(2 / 8, abs=0.01)


def test_the_first_figure_is_not_under_what_has_gone_by_already():
    pool = Pool(np.array([-7, 0, 0, 14]), strength=4.0)
    drawn = urn((28, 35), pool, least=5).draw_from(33, else_within=14)  # middle 32 (half to even): pool 25, 32, 32, 46
    assert set(np.unique(drawn)) == {35, 46}
    assert (drawn == 46).mean() == pytest.approx(1 / (1 + 1), abs=0.02)  # 4 * 1/4 of the pool against one own
    beyond = urn((28, 35), pool, least=5).draw_from(60, else_within=14)
    assert (beyond.min(), beyond.max()) == (60, 73)


def test_nothing_is_drawn_under_what_is_possible():
    assert urn((6, 6), Pool(np.array([-30]), strength=50.0), least=5).draw().min() == 5


def test_the_pool_weighs_more_where_people_are_alike_than_where_each_has_ways_of_their_own():
    """Alike: all figures by one law about every middle. Own ways: two thirds never change and a third comes a
    week early or late as often as not, so that a person's own past tells more."""
    rng = np.random.default_rng(3)
    alike = [(28 + 7 * rng.choice([0, 0, 0, 0, 1, 2], 30)).tolist() for _ in range(60)]
    own_ways = [[28] * 30 for _ in range(40)] + [(28 + 7 * rng.choice([-1, 0, 1], 30)).tolist() for _ in range(20)]
    strengths = [pool_of(some, latest=6, as_same=7).strength for some in (alike, own_ways)]
    assert strengths[0] >= 4.0 > 2.0 >= strengths[1] >= STRENGTHS[0]


def test_too_little_is_known_for_a_pool():
    found = pool_of([[28, 28], [35]], latest=6)
    assert (found.away.size, found.strength) == (0, 0.0)


def test_distances_are_from_each_persons_own_middle():
    pool = pool_of([[21, 21, 28], [42, 42, 56]], latest=6)
    assert sorted(pool.away.tolist()) == [0, 0, 0, 0, 7, 14]
    assert middle_of((21, 21, 28)) == 21
