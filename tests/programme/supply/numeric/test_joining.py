"""People who join a programme meanwhile, at the rate of the latest year."""

import numpy as np
import pytest

from programme.supply.numeric.joining import Joining, joining_of, live_joining

MONDAY = 739_404
WAYS = (((28, 28), (4, 4)),)


def test_who_joined_in_the_latest_year_is_counted_where_records_reach_back_two():
    old, new = [(MONDAY - 800, 4), (MONDAY - 772, 4), (MONDAY - 744, 5)], [(MONDAY - 100, 3)]
    found = joining_of([old, new, []], MONDAY, latest=6)
    assert found == Joining(1, (((28, 28), (4, 4, 5)),))
    assert joining_of([new], MONDAY, latest=6) is None
    assert joining_of([], MONDAY, latest=6) is None


def test_units_of_those_who_join_are_those_of_a_poisson_process_of_joining():
    """12 a year (and a half, by the prior), each with four units on joining and every 28 days from then on: in 13 weeks
    91 * 12.5 / 365 join, and who joins on day d of 91 has 1 + floor((90 - d) / 28) visits. Added up by hand."""
    found = live_joining(Joining(12, WAYS), MONDAY, MONDAY, 13, np.random.default_rng(2), 3000)
    visits = np.mean([1 + (90 - day) // 28 for day in range(91)])
    assert found.sum(axis=0).mean() == pytest.approx(91 * 12.5 / 365 * visits * 4, rel=0.04)
    assert (found >= 0).all()
    counts = live_joining(Joining(12, (((500,), (1,)),)), MONDAY, MONDAY, 13, np.random.default_rng(3), 6000).sum(
        axis=0
    )
    mean = 91 * 12.5 / 365
    assert counts.var() == pytest.approx(mean + mean * 91 / 365, rel=0.08)  # negative binomial: m + m^2 / shape


def test_who_is_booked_for_a_first_session_is_not_foreseen_a_second_time():
    """With one unit each and gaps beyond the weeks, units are people: one less on every path that has any."""
    one_each = Joining(12, (((500,), (1,)),))
    all_of_them = live_joining(one_each, MONDAY, MONDAY, 13, np.random.default_rng(3), 2000).sum(axis=0)
    others = live_joining(one_each, MONDAY, MONDAY, 13, np.random.default_rng(3), 2000, known=1).sum(axis=0)
    assert (others == np.maximum(all_of_them - 1, 0)).all()


def test_nobody_joined_means_few_and_not_none():
    found = live_joining(Joining(0, WAYS), MONDAY, MONDAY, 13, np.random.default_rng(2), 4000)
    assert 0 < found.sum(axis=0).mean() < 2


def test_nothing_is_counted_before_the_first_week_or_after_the_last():
    late = live_joining(Joining(400, WAYS), MONDAY, MONDAY + 14, 4, np.random.default_rng(2), 50)
    assert late[:2].sum() == 0.0 < late[2:].sum()
