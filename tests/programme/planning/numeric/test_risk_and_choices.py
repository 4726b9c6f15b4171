"""Chances by day, end targets and the steady state, on people who climb a straight line, where paper has the answer."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from programme.planning.numeric.choices import (
    FEWEST_VISITS,
    HELD,
    LEAST_BLOOD,
    MOST_MARGIN,
    choose,
    held_interval,
    steady_states,
)
from programme.planning.numeric.loop import share_over
from programme.planning.numeric.prescribe import reach_of
from programme.planning.numeric.risk import (
    chance_after,
    days_over,
    highest_end,
    lowest_ceiling,
    risk_by_day,
    risk_table,
    safe_days,
)
from programme.planning.numeric.search import build_menu
from sessions.numeric.attendance import Attendance
from sessions.numeric.predictive import SHAPE_BEFORE_DATA, Predictive

DAYS = np.arange(14.0, 57.0)


def one(value):
    return np.array([float(value)])


def test_the_safe_day_is_the_day_before_the_first_crossing(straight_outlook):
    outlook = straight_outlook([0.5], after=15.0, sd=2.0)
    risk = risk_by_day(outlook, one(30), Attendance.punctual(1), 60)
    safe = safe_days(risk.on_the_day, one(0.10))[0]
    # 15 + 0.5·d + 2·z₉₀ = 30.05, with z₉₀ of the shape's table.
    z90 = Predictive(np.array(0.0), np.array(1.0), SHAPE_BEFORE_DATA).quantile(0.9)
    assert safe == int((30.05 - 15.0 - 2.0 * z90) / 0.5)
    assert risk.on_the_day[0, safe - 1] <= 0.10 < risk.on_the_day[0, safe]


def test_safe_days_without_any_crossing_and_with_one_at_once():
    chance = np.array([[0.01, 0.02, 0.03], [0.5, 0.6, 0.7]])
    assert safe_days(chance, np.array([0.1, 0.1])).tolist() == [3, 0]


settings_of = {"pace": st.floats(0.2, 1.2), "after": st.floats(5.0, 22.0), "ceiling": st.floats(25.0, 50.0)}


@settings(max_examples=60, deadline=None)
@given(**settings_of, late=st.floats(0.0, 0.4), more=st.floats(0.5, 8.0))
def test_laws_of_the_safe_day_and_the_end_target(pace, after, ceiling, late, more):
    def outlook(*, days, after_pct=None, after_sd_pct=None):
        start = after if after_pct is None else after_pct
        return Predictive(start + pace * np.asarray(days, dtype=float), 2.0 + 0.0 * np.asarray(start))

    def low_outlook(*, days, after_pct=None, after_sd_pct=None):
        return outlook(days=days, after_pct=after - more if after_pct is None else after_pct)

    people = Attendance(one(late), (7, 14))

    def safe(seen, ceiling, accepted, attendance=people):
        return safe_days(risk_by_day(seen, one(ceiling), attendance, 98).attended, one(accepted))[0]

    usual = safe(outlook, ceiling, 0.10)
    assert safe(outlook, ceiling + more, 0.10) >= usual
    assert safe(outlook, ceiling, 0.05) <= usual
    assert safe(low_outlook, ceiling, 0.10) >= usual
    assert safe(outlook, ceiling, 0.10, Attendance.punctual(1)) >= usual

    def end(days, ceiling, accepted):
        found = highest_end(outlook, one(days), one(1.0), one(ceiling), one(accepted), people)[0]
        return -1.0 if np.isnan(found) else found

    assert end(28, ceiling + more, 0.10) >= end(28, ceiling, 0.10)
    assert end(28, ceiling, 0.05) <= end(28, ceiling, 0.10)
    assert end(35, ceiling, 0.10) <= end(28, ceiling, 0.10)


def test_the_end_target_holds_its_interval_and_a_tenth_more_does_not(straight_outlook):
    outlook = straight_outlook([0.4, 0.6], sd=2.0, growth=0.1)
    people, days, ceiling = Attendance(np.array([0.1, 0.0]), (6, 15)), np.array([28.0, 21.0]), np.array([30.0, 35.0])
    end = highest_end(outlook, days, np.full(2, 1.0), ceiling, np.full(2, 0.1), people)
    assert (chance_after(outlook, days, end, np.full(2, 1.0), ceiling, people) <= 0.1).all()
    assert (chance_after(outlook, days, end + 0.11, np.full(2, 1.0), ceiling, people) > 0.1).all()


def test_no_end_holds_an_interval_that_is_too_long(straight_outlook):
    end = highest_end(straight_outlook([1.2]), one(50), one(1), one(30), one(0.1), Attendance.punctual(1))
    assert np.isnan(end[0])


def test_the_table_reads_like_the_forecast_itself(straight_outlook):
    outlook = straight_outlook([0.45], sd=2.5)
    people = Attendance(one(0.12), (6, 20))
    table = risk_table(outlook, DAYS, one(30), one(0.05), 0.6, people)
    ends = np.broadcast_to(np.array([4.3, 9.1, 13.0, 17.7]), (1, len(DAYS), 4))
    exact = chance_after(outlook, DAYS[None, :, None], ends, np.hypot(0.05 * ends, 0.6), np.array([[[30.0]]]), people)
    near = exact < 0.2  # where choices are made
    assert near.sum() > 40
    assert np.abs(table.chance(ends) - exact)[near].max() < 0.015
    assert table.before(ends) == pytest.approx(ends + 0.45 * DAYS[None, :, None])


def loop(straight_outlook, make_before, make_limits, cells, *, pace=0.45, ceiling=30.0, accepted=0.10, wanted=28.0):
    before, limits = make_before(hb=88.0), make_limits()
    menu = build_menu(before, cells, limits)
    reach = reach_of(menu, before, limits, one(ceiling))
    table = risk_table(straight_outlook([pace], sd=2.0), DAYS, one(ceiling), one(0.05), 0.6, Attendance.punctual(1))
    within = np.ones((1, len(DAYS)), dtype=bool)
    states = steady_states(table, reach, before.hb_g_l, before.blood_volume_ml, within)
    place, held = held_interval(states, one(wanted), one(accepted), np.array([False]))
    return states, reach, place, held, choose(states, states, place, one(accepted))


def test_the_steady_state_is_where_a_long_run_settles(straight_outlook, make_before, make_limits, cells):
    states, reach, *_ = loop(straight_outlook, make_before, make_limits, cells)
    for place, units in ((7, 4), (14, 5), (21, 6)):
        before, end = 40.0, 40.0
        for _ in range(200):
            before = end + 0.45 * DAYS[place]
            end = before * reach.ratio[units - 1, 0]
        assert states.end_pct[0, place, units - 1] == pytest.approx(end, abs=0.02)
        assert states.before_pct[0, place, units - 1] == pytest.approx(before, abs=0.02)
    assert states.visits_a_year[14] == pytest.approx(365.25 / 28.0)


def test_choices_are_what_their_labels_say(straight_outlook, make_before, make_limits, cells):
    states, _, place, held, found = loop(straight_outlook, make_before, make_limits, cells)
    ok = states.chance[0] <= 0.10
    days, units = np.nonzero(ok)
    assert held[0]
    assert DAYS[place[0]] == 28.0
    assert found.interval_days[0, HELD] == 28
    assert found.units[0, HELD] == units[days == place[0]].min() + 1
    assert found.interval_days[0, FEWEST_VISITS] == DAYS[days.max()]
    assert found.units_a_year[0, LEAST_BLOOD] == pytest.approx(states.units_a_year[0][ok].min())
    assert found.chance[0, MOST_MARGIN] <= found.chance[0, HELD]
    assert found.interval_days[0, MOST_MARGIN] >= 28
    assert (found.chance[0] <= 0.10).all()
    assert found.once_a_year[0] == pytest.approx(1.0 - (1.0 - found.chance[0]) ** (365.25 / found.interval_days[0]))
    # Ten in 100 at each of 13 visits is 75 in 100 in the year.
    assert pytest.approx(0.75, abs=0.005) == 1.0 - 0.9**13


def test_nothing_within_the_chance_beats_fewest_visits_or_least_blood(
    straight_outlook, make_before, make_limits, cells
):
    states, _, _, _, found = loop(straight_outlook, make_before, make_limits, cells)
    within = states.chance[0] <= 0.10
    visits = np.broadcast_to(states.visits_a_year[:, None], within.shape)[within]
    costs = np.stack([visits, states.units_a_year[0][within], states.chance[0][within]], axis=1)
    for label in (FEWEST_VISITS, LEAST_BLOOD):
        own = (int(found.interval_days[0, label] - DAYS[0]), found.units[0, label] - 1)
        mine = np.array([states.visits_a_year[own[0]], states.units_a_year[0][own], states.chance[0][own]])
        assert not ((costs <= mine).all(axis=1) & (costs < mine).any(axis=1)).any()


def test_an_interval_that_cannot_be_held_gives_way_to_the_longest_that_can(
    straight_outlook, make_before, make_limits, cells
):
    states, _, place, held, _ = loop(straight_outlook, make_before, make_limits, cells, pace=0.9, wanted=42.0)
    best = np.nanmin(states.chance[0], axis=1)
    longest = int(np.flatnonzero((best <= 0.10) & (DAYS <= 42)).max())
    assert held[0]
    assert longest - 3 <= place[0] <= longest
    assert best[place[0]] <= 0.10


def test_an_accepted_interval_stands_until_it_is_five_points_off(straight_outlook, make_before, make_limits, cells):
    states, *_ = loop(straight_outlook, make_before, make_limits, cells, pace=0.9)
    best = np.nanmin(states.chance[0], axis=1)
    slightly, far = DAYS[np.flatnonzero((best > 0.10) & (best <= 0.15))[0]], DAYS[np.flatnonzero(best > 0.16)[0]]
    for wanted, stands in ((slightly, True), (far, False)):
        place, _ = held_interval(states, one(wanted), one(0.10), np.array([True]))
        assert (DAYS[place[0]] == wanted) == stands
    place, _ = held_interval(states, one(slightly), one(0.10), np.array([False]))
    assert DAYS[place[0]] < slightly


def test_days_over_are_the_sum_of_the_chances_of_the_days(straight_outlook):
    outlook = straight_outlook([0.6, 0.4], sd=2.0)
    ends, sds = np.array([[14.0], [20.0]]), np.array([[0.8], [1.0]])
    days, ceiling, late = np.full((2, 1), 28.0), np.array([30.0, 30.0]), Attendance(np.array([0.2, 0.0]), (4, 10))
    found = days_over(outlook, days, ends, sds, ceiling, late)

    def summed(last):
        fine = np.linspace(0.0, last, 4001)
        at = np.broadcast_to(fine, (2, len(fine)))
        seen = outlook(days=at, after_pct=np.broadcast_to(ends, at.shape), after_sd_pct=np.broadcast_to(sds, at.shape))
        return np.trapezoid(seen.chance_over(ceiling[:, None]), fine, axis=1)

    on_time, by_late = summed(28.0), 0.5 * (summed(32.0) + summed(38.0))
    share = np.array([0.2, 0.0])
    assert found[:, 0] == pytest.approx((1.0 - share) * on_time + share * by_late, rel=0.01, abs=0.01)


def test_the_lowest_ceiling_is_the_quantile(straight_outlook):
    outlook = straight_outlook([0.5], sd=2.0)
    found = lowest_ceiling(outlook, one(28.0), one(15.0), one(0.0), one(0.10), Attendance.punctual(1))
    assert found[0] == np.ceil(15.0 + 14.0 + 2.0 * 1.2816)


@pytest.mark.parametrize(
    ("after", "before", "line", "share"),
    [(10, 30, 40, 0.0), (10, 30, 5, 1.0), (10, 30, 25, 0.25), (30, 20, 25, 0.5), (20, 20, 25, 0.0), (26, 26, 25, 1.0)],
)
def test_share_of_a_gap_over_a_line(after, before, line, share):
    assert share_over(one(after), one(before), one(line))[0] == pytest.approx(share)
