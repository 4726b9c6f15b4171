"""What stands beside a suggestion follows from the same menu of sessions, and says the same as the suggestion."""

from __future__ import annotations

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
                # The plan is written out in volumes rounded to 10 mL.
                assert row.hbs_pct == pytest.approx(said.plan.hbs_after_pct[p], abs=0.6)
                agreed += 1
    assert agreed >= 20


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
    without = np.flatnonzero(said.plan.standing == NO_PLAN)
    for p in without:
        assert limits[p] == ()
        assert details.other_orders(weighed, people, said, p) == ()
    with_plan = available(said)
    told = [details.other_orders(weighed, people, said, p) for p in with_plan]
    assert any(told)
    assert all(sentence.endswith(".") for rows in told for _, sentence in rows)


def test_a_year_is_planned_for_each_choice_that_can_be_taken(beside):
    said, people, _, weighed = beside
    for p in available(said):
        plans = details.year_plans(weighed, people, said, p)
        assert set(plans) <= set(range(said.choices.interval_days.shape[1]))
        for place, plan in plans.items():
            assert plan.interval_days == said.choices.interval_days[p, place]
            assert all(b <= a + 1e-9 for a, b in zip(plan.ratios, plan.ratios[1:], strict=False))
