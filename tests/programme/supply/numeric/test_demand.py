"""Units week by week: bookings to the day, renewal theory for the rest, and ranges that hold eight in ten weeks."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from programme.supply.charts import draw_flow
from programme.supply.numeric.demand import (
    ALL,
    Expected,
    Lived,
    Span,
    booked_in_weeks,
    holds,
    live_weeks,
    on_weekday,
    range_of,
    seed_of,
    stretch_of,
    weeks_by_class,
    weeks_by_group,
)
from programme.supply.numeric.ends import count_flow, exact_interval
from programme.supply.numeric.habits import Anchored, Pool, Urn

MONDAY = 739_404  # an ordinal that is a Monday: 739404 % 7 == 1
SPAN = Span(MONDAY, 13, MONDAY)


def person(**fields) -> Expected:
    known = {"reference": "SM-1", "group": "O +", "searched": False, "last_day": MONDAY - 10, "next_day": 0}
    return Expected(**{**known, **fields})


def lived(who: Expected, *, span: Span = SPAN, n_paths: int = 300, seed: int = 7):
    rng = np.random.default_rng(seed)
    return live_weeks(who, span, None, delays=(7,), rng=rng, n_paths=n_paths)


def test_the_ordinal_used_here_is_a_monday():
    assert MONDAY % 7 == 1


def test_days_of_a_weekend_go_back_to_friday():
    week = np.arange(MONDAY, MONDAY + 7)
    assert (on_weekday(week) - MONDAY).tolist() == [0, 1, 2, 3, 4, 4, 4]


def test_a_booking_is_needed_in_its_week_with_its_units_on_every_path():
    who = person(booked=((MONDAY + 8, 6),), gaps=(200, 200), units=(5,))
    found = lived(who)
    assert (found[1] == 6).all()
    assert found.sum(axis=0).tolist() == [6.0] * 300
    assert booked_in_weeks(who, SPAN).tolist() == [0, 6] + [0] * 11


def test_a_booking_without_planned_units_takes_what_the_person_usually_had():
    found = lived(person(booked=((MONDAY + 2, None),), gaps=(200, 200), units=(4, 8)))
    assert set(np.unique(found[0])) == {4.0, 8.0}


def test_nothing_before_today_is_counted():
    span = Span(MONDAY, 2, MONDAY + 3)
    assert lived(person(booked=((MONDAY + 1, 3),), gaps=(200, 200), units=(3,)), span=span).max() == 0.0


def test_whoever_is_beyond_all_their_gaps_comes_within_a_fortnight():
    found = lived(person(last_day=MONDAY - 100, gaps=(28, 28), units=(2,)))
    assert (found[:2].sum(axis=0) == 2).all()


def test_who_is_late_for_a_booking_comes_after_it():
    who = person(booked=((MONDAY + 1, 5),), gaps=(200, 200), units=(5,), late_share=0.25)
    found = lived(who, n_paths=4000)
    assert (found[0] + found[1] == 5).all()
    assert found[1].mean() / 5 == pytest.approx(0.25, abs=0.03)  # delays are seven days


def test_in_the_long_run_a_week_takes_seven_over_the_mean_gap_times_the_mean_units():
    """Elementary renewal theorem with rewards (Cox, Renewal Theory, 1962)."""
    gaps, units = (20, 27, 34, 41), (3, 6)
    span = Span(MONDAY, 60, MONDAY)
    found = lived(person(gaps=gaps, units=units), span=span, n_paths=2000)
    # Weekends go back to Friday, which shortens a gap by half a day on average at most.
    assert found[30:].mean() == pytest.approx(7 / np.mean(gaps) * np.mean(units), rel=0.04)


def test_units_keep_the_level_of_the_records_and_move_with_the_simulated_course():
    """A plan of six units for somebody who always had four: four now, two more where the course asks for two more."""
    usual = Anchored(Urn((4, 4, 4), Pool(), np.random.default_rng(1), 5, least=1))
    assert usual.draw(np.array([6, 6, 6, 5, 7])).tolist() == [4, 4, 4, 3, 5]
    assert usual.draw(np.array([8, 8, 6, 4, 1])).tolist()[:3] == [6, 6, 4]
    assert usual.draw(np.zeros(5, dtype=np.int64)).min() == 1, "nobody has less than one"
    assert (Anchored(Urn((4, 4), Pool(), np.random.default_rng(1), 9, least=1)).draw(None) == 4).all()


def test_of_somebody_new_only_what_is_booked_counts():
    """Nobody knows when they come after that; a booking without planned units counts none."""
    who = person(booked=((MONDAY + 8, 6), (MONDAY + 40, None)), last_day=MONDAY - 1)
    assert lived(who).sum(axis=1).tolist() == [0, 300 * 6.0] + [0] * 11
    with pytest.raises(ValueError, match="SM-1: neither a booking"):
        lived(person(booked=((MONDAY + 8, None),)))


def test_somebody_without_plan_and_habit_cannot_be_foreseen():
    with pytest.raises(ValueError, match="SM-1: neither a booking nor a plan nor two gaps"):
        lived(person(gaps=(28,), units=(4,)))


@given(seed=st.integers(0, 10_000), n=st.integers(0, 9))
def test_expected_and_booked_units_of_all_are_the_sums_over_the_groups(seed, n):
    rng = np.random.default_rng(seed)
    span = Span(MONDAY, 4, MONDAY)
    some = [
        Lived(
            person(group=str(rng.choice(["O +", "A +", "B \u2212"])), searched=bool(rng.random() < 0.3)),
            rng.integers(0, 9, (4, 50)).astype(float),
            rng.integers(0, 9, 4),
        )
        for _ in range(n)
    ]
    rows = weeks_by_group(some, span, stretch=1.3)
    for week in range(4):
        here = [row for row in rows if row.week_start == MONDAY + 7 * week]
        (total,) = [row for row in here if row.group == ALL]
        parts = [row for row in here if row.group != ALL]
        assert total.expected == pytest.approx(sum(row.expected for row in parts))
        assert total.booked == sum(row.booked for row in parts)
        assert total.searched[3] == pytest.approx(sum(row.searched[3] for row in parts))
        assert all(0 <= row.p10 <= row.p50 <= row.p90 for row in here)
        assert all(row.searched[3] <= row.expected + 1e-9 for row in here)


@given(seed=st.integers(0, 10_000), n=st.integers(0, 9))
def test_units_by_phenotype_add_up_to_those_of_all_and_of_each_group(seed, n):
    """Everybody is in one group and one phenotype: totals over either, and over pairs, are the total of all."""
    rng = np.random.default_rng(seed)
    span = Span(MONDAY, 3, MONDAY)
    some = [
        Lived(
            person(group=str(rng.choice(["O +", "A +"])), phenotype=str(rng.choice(["C− E− K−", "K−", "K− Fy(a)−"]))),
            rng.integers(0, 9, (3, 50)).astype(float),
            rng.integers(0, 9, 3),
        )
        for _ in range(n)
    ]
    by_group, by_class = weeks_by_group(some, span), weeks_by_class(some, span)
    for total in by_group:
        pairs = [row for row in by_class if row.week_start == total.week_start and row.group == total.group]
        assert sum(row.expected for row in pairs) == pytest.approx(total.expected)
        assert sum(row.booked for row in pairs) == total.booked
        assert all(0 <= row.p10 <= row.p50 <= row.p90 for row in pairs)
    for one in {row.phenotype for row in by_class}:
        mine = [row for row in by_class if row.phenotype == one]
        assert sum(row.expected for row in mine if row.group == ALL) == pytest.approx(
            sum(row.expected for row in mine if row.group != ALL)
        )


def test_the_range_of_all_is_that_of_weeks_added_up_path_by_path():
    """The spread of 40 independent people is by the central limit theorem; their ranges added up are far wider."""
    rng = np.random.default_rng(3)
    some = [Lived(person(group=str(n)), rng.poisson(4.0, (1, 4000)).astype(float), np.zeros(1, int)) for n in range(40)]
    *groups, total = weeks_by_group(some, Span(MONDAY, 1, MONDAY))
    assert total.p90 - total.p10 == pytest.approx(2 * 1.2816 * np.sqrt(40 * 4.0), rel=0.06)
    assert sum(row.p90 - row.p10 for row in groups) > 4 * (total.p90 - total.p10)


def test_the_stretch_of_ranges_that_are_too_narrow_makes_eight_in_ten_hold():
    rng = np.random.default_rng(11)
    used = rng.normal(40.0, 10.0, 4000)
    half = 1.2816 * 5.0  # ranges made for half the spread
    middle = np.full(4000, 40.0)
    stretch = stretch_of(used, middle - half, middle, middle + half)
    assert stretch == pytest.approx(2.0, rel=0.05)
    assert holds(used, middle - stretch * half, middle + stretch * half).mean() == pytest.approx(0.8, abs=0.01)


def test_ranges_that_held_are_never_narrowed():
    middle = np.full(50, 40.0)
    assert stretch_of(middle, middle - 9, middle, middle + 9) == 1.0
    with pytest.raises(ValueError, match="no week"):
        stretch_of(*(np.zeros(0),) * 4)


def test_a_widened_range_keeps_its_middle_and_is_never_below_nothing():
    band = range_of(np.array([[0.0, 1.0, 2.0, 3.0, 10.0]]), stretch=3.0)
    assert band[1, 0] == 2.0
    assert band[0, 0] == 0.0


def test_eight_in_ten_weeks_of_a_made_up_programme_lie_inside():
    """Thirty people with gaps of their own, foreseen from six past gaps each and then lived on: 26 weeks, 8 programmes.

    Weeks of one programme are not independent, so the bounds are those of about a third of the 208 weeks.
    """
    rng, inside = np.random.default_rng(5), []
    for programme in range(8):
        total, used = np.zeros((26, 300)), np.zeros(26)
        for number in range(30):
            mean, most = rng.uniform(21, 49), int(rng.integers(4, 9))
            past = np.maximum(rng.normal(mean, 5, 6).round().astype(int), 7)
            since = int(rng.integers(0, 14))
            who = person(last_day=MONDAY - since, gaps=tuple(past.tolist()), units=(most - 1, most, most))
            total += lived(who, span=Span(MONDAY, 26, MONDAY), seed=1000 * programme + number)
            day = MONDAY - since
            while day < MONDAY + 26 * 7:
                day += max(round(rng.normal(mean, 5)), 7)
                if MONDAY <= day < MONDAY + 26 * 7:
                    used[(on_weekday(np.array([day]))[0] - MONDAY) // 7] += rng.choice([most - 1, most, most])
        low, _, high = range_of(total)
        inside.append(holds(used, low, high))
    assert 0.70 <= np.mean(inside) <= 0.92


def test_the_same_person_has_the_same_paths_whoever_else_is_reckoned():
    assert seed_of("SM-1", "2026-06-01") == seed_of("SM-1", "2026-06-01") != seed_of("SM-2", "2026-06-01")


# Where units ended


@pytest.mark.parametrize(("count", "of"), [(0, 12), (4, 322), (12, 12), (1, 1), (9, 40)])
def test_the_exact_interval_is_that_of_statsmodels(count, of):
    """statsmodels `proportion_confint(method="beta")`, Clopper and Pearson."""
    assert exact_interval(count, of) == pytest.approx(proportion_confint(count, of, method="beta"), abs=1e-9)


@pytest.mark.parametrize(("count", "of"), [(3, 2), (-1, 4), (0, 0)])
def test_no_share_has_no_interval(count, of):
    with pytest.raises(ValueError, match="is no share"):
        exact_interval(count, of)


@given(st.lists(st.tuples(st.sampled_from(["arrived", "issued", "given", "returned", "discarded"]), st.booleans())))
def test_every_unit_is_counted_once_and_every_band_is_the_sum_of_its_units(units):
    flow = count_flow(units)
    assert flow.given + flow.returned + flow.discarded + flow.here == flow.came == len(units)
    assert flow.to_chair + flow.not_taken == flow.came
    assert flow.here == sum(state in ("arrived", "issued") for state, _ in units)
    assert flow.straight["given"] == 0, "who gave it took it to a chair"
    picture = draw_flow(flow)
    ends = [band for band in picture.bands if band.kind != "chair"]
    assert sum(band.count for band in ends) == flow.came
    assert {node.kind: node.count for node in picture.nodes if node.kind in flow.chair} == {
        way: flow.at(way) for way in flow.chair if flow.at(way)
    }


def test_bands_are_as_thick_as_their_units_and_stay_inside_the_picture():
    """90 given, 6 returned unused, 4 discarded at the chair: 180 high for 100 units, so 1.8 a unit."""
    units = [("given", True)] * 90 + [("returned", False)] * 6 + [("discarded", True)] * 4
    picture = draw_flow(count_flow(units))
    high = {node.kind: node.high for node in picture.nodes}
    assert high == pytest.approx(
        {"came": 180.0, "chair": 169.2, "given": 162.0, "returned": 10.8, "discarded": 7.2}, abs=0.11
    )
    assert all(node.y + node.high <= picture.high for node in picture.nodes)
    spans = sorted((node.y, node.y + node.high) for node in picture.nodes if node.x > 1000)
    assert all(below[0] - above[1] >= 20 for above, below in pairwise(spans)), "room for the words"
