"""What stands beside a suggestion follows from the same menu of sessions, and says the same as the suggestion."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from programme.planning.numeric import details
from programme.planning.numeric import people as pp
from programme.planning.numeric.people import taken
from programme.planning.numeric.prescribe import NO_PLAN, STOP_HELD, WARN_HELD
from programme.planning.numeric.programme_run import cells_of_made_up
from programme.planning.numeric.suggest import SiteRules, outlook_of, suggest_some

SOME = np.arange(40)


@pytest.fixture(scope="module")
def beside(made_up_inputs, made_up_programme, as_of_day):
    """Suggestion, inputs, outlook and weighed menu of forty people."""
    people, fit, pace = taken(made_up_inputs, SOME), made_up_programme.fit, made_up_programme.pace.take(SOME)
    said, tried = suggest_some(people, fit, pace, SiteRules(cells_of_made_up()), as_of_day=as_of_day[SOME])
    return said, people, outlook_of(fit, pace), details.weigh(people, tried, said)


@pytest.fixture(scope="module")
def beside_a_low_start(made_up_inputs, made_up_programme, as_of_day):
    """The same for forty people whose Hb is so low that a top-up comes first."""
    people, fit, pace = taken(made_up_inputs, SOME), made_up_programme.fit, made_up_programme.pace.take(SOME)
    people = replace(people, before=replace(people.before, hb_g_l=np.linspace(58.0, 69.0, len(SOME))))
    said, tried = suggest_some(people, fit, pace, SiteRules(cells_of_made_up()), as_of_day=as_of_day[SOME])
    return said, people, outlook_of(fit, pace), details.weigh(people, tried, said)


@pytest.fixture(scope="module")
def beside_a_high_floor(made_up_inputs, made_up_programme, as_of_day):
    """The same for forty people who start about their floor, as with a brain, heart or lung flag."""
    people, fit, pace = taken(made_up_inputs, SOME), made_up_programme.fit, made_up_programme.pace.take(SOME)
    people = replace(people, limits=replace(people.limits, hb_floor_warn_g_l=people.before.hb_g_l + 2.0))
    said, tried = suggest_some(people, fit, pace, SiteRules(cells_of_made_up()), as_of_day=as_of_day[SOME])
    return said, people, outlook_of(fit, pace), details.weigh(people, tried, said)


def available(said):
    return np.flatnonzero((said.bar == pp.AVAILABLE) & (said.plan.standing != NO_PLAN))


def test_the_chance_rises_with_the_interval_and_with_the_end(beside):
    said, people, outlook, _ = beside
    grid = details.risk_grid(outlook, people, said)
    rows = available(said)
    assert (np.diff(grid.days, axis=1) > 0).all()
    assert (np.diff(grid.chance[rows], axis=2) >= -1e-9).all()
    assert (np.diff(grid.chance[rows], axis=1) >= -1e-3).all()


def test_each_further_unit_buys_points_and_the_chosen_row_agrees_with_the_plan(beside):
    said, people, outlook, weighed = beside
    rows = details.units_rows(weighed, people, outlook, said)
    agreed = 0
    for p in available(said):
        shown = [row for row in rows[p] if not row.limit]
        # Nothing is bought where there is no session with one unit fewer to hold it against.
        assert not any(row.points < -1e-6 for row in shown)
        assert [row.hbs_pct for row in shown] == sorted((row.hbs_pct for row in shown), reverse=True)
        for row in shown:
            if row.units == said.plan.units[p]:
                assert row.hbs_pct == said.plan.hbs_after_pct[p]
                assert row.hb_g_l == said.plan.hb_settled_g_l[p]
                assert row.out_ml == said.plan.blood_out_ml[p]
                agreed += 1
    assert agreed >= 20


def test_after_a_top_up_the_rows_the_choices_and_the_year_count_its_units_too(beside_a_low_start):
    said, people, outlook, weighed = beside_a_low_start
    rows = details.units_rows(weighed, people, outlook, said)
    orders = details.other_orders(weighed, people, said)
    there = [p for p in available(said) if weighed.topup_units[p] > 0]
    assert len(there) >= 20
    for p in there:
        (row,) = [row for row in rows[p] if row.units == said.plan.units[p] and not row.limit]
        assert row.hbs_pct == said.plan.hbs_after_pct[p]
        assert row.out_ml == said.plan.blood_out_ml[p]
        assert min(row.units for row in rows[p]) > weighed.topup_units[p]
        names = orders[p]
        assert all(f"The same {said.plan.units[p]} unit" in words for _, words in names)
        for place, plan in details.year_plans(weighed, people, said, p).items():
            units, end = said.choices.units[p, place], said.choices.ends_at_pct[p, place]
            assert said.choices.units_a_year[p, place] == pytest.approx(units * said.choices.visits_a_year[p, place])
            # At the steady state the session of so many units takes off what the gap put on.
            before = end / plan.ratios[units - 1 - weighed.topup_units[p]]
            seen = outlook(days=np.full(len(SOME), float(plan.interval_days)), after_pct=np.full(len(SOME), end))
            if plan.topup_units and place != 3:
                assert before == pytest.approx(seen.median()[p], abs=1.0)


def test_a_top_up_is_held_against_the_excess_that_is_allowed(beside_a_low_start):
    said, people, _, weighed = beside_a_low_start
    limits = details.limit_rows(people, said)
    for p in available(said):
        shown = {row.name: row for row in limits[p]}
        if weighed.topup_units[p] > 0:
            assert shown["balance"].reached == pytest.approx(said.plan.largest_excess_ml[p])
            assert shown["balance"].state == details.KEPT


def test_a_row_without_a_session_names_the_limit_in_the_way(beside):
    said, people, outlook, weighed = beside
    rows = details.units_rows(weighed, people, outlook, said)
    words = {row.limit for some in rows for row in some if row.limit}
    assert words
    assert all("allowed" in text or text.startswith("no order of steps keeps the") for text in words)


def test_limits_are_kept_where_the_plan_says_so_and_stops_always(beside):
    said, people, _, _ = beside
    limits = details.limit_rows(people, said)
    for p in available(said):
        states = {row.name: row.state for row in limits[p]}
        assert details.STOPPED not in states.values(), states
        if said.plan.standing[p] == WARN_HELD:
            assert set(states.values()) == {details.KEPT}
    assert (said.plan.standing == STOP_HELD).any()


def test_nobody_without_a_plan_has_limits_or_other_orders(beside):
    said, people, _, weighed = beside
    limits = details.limit_rows(people, said)
    orders = details.other_orders(weighed, people, said)
    without = np.flatnonzero(said.plan.standing == NO_PLAN)
    for p in without:
        assert limits[p] == ()
        assert orders[p] == ()
    with_plan = available(said)
    told = [orders[p] for p in with_plan]
    assert any(told)
    sentences = [sentence for rows in told for _, sentence in rows]
    assert all(sentence.endswith(".") for sentence in sentences)
    assert all(re.match(r"The same (1 unit ends|\d+ units end) at \d", sentence) for sentence in sentences)


def test_no_other_order_is_blamed_for_what_the_suggested_one_does_too(beside, beside_a_low_start, beside_a_high_floor):
    """Who starts under the floor, or passes a warning, was told that Hb 'could fall to 90 g/L, under 90 g/L'."""
    said_so = 0
    for said, people, _, weighed in (beside, beside_a_low_start, beside_a_high_floor):
        for p, told in enumerate(details.other_orders(weighed, people, said)):
            for _, sentence in told:
                if fall := re.search(r"could fall to (\d+) g/L on the way, under (\d+) g/L", sentence):
                    assert int(fall[1]) <= round(said.plan.lowest_low_g_l[p])
                    assert int(fall[1]) <= int(fall[2])
                    said_so += 1
                if rise := re.search(r"could reach (\d+) g/L", sentence):
                    assert int(rise[1]) >= round(said.plan.peak_high_g_l[p])
    assert said_so


def test_a_year_is_planned_for_each_choice_that_can_be_taken(beside):
    said, people, _, weighed = beside
    for p in available(said):
        plans = details.year_plans(weighed, people, said, p)
        assert set(plans) <= set(range(said.choices.interval_days.shape[1]))
        for place, plan in plans.items():
            assert plan.interval_days == said.choices.interval_days[p, place]
            assert all(b <= a + 1e-9 for a, b in zip(plan.ratios, plan.ratios[1:], strict=False))
