"""A plan changed mid-way never cuts a unit loose: each that hangs, or was checked at the chair, keeps a step.

By hand: units of 258 mL, five of them in steps of one, two and two, with saline between.
"""

from dataclasses import replace
from datetime import timedelta

import pytest

from patients.models import Analyte
from programme.bedside.numeric.laid import Laid
from programme.bedside.queries.midway import draft_midway, midway
from programme.bedside.queries.run import run_of
from sessions.day.services.prescribing import change_plan
from sessions.models import DonationUnit
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db

HB = 194.0


def step(number, units, in_ml):
    fluid = "red_cells" if units else "saline"
    return {
        "number": number, "fluid": fluid, "units": units, "in_ml": in_ml, "out_ml": in_ml, "draws": [in_ml], "why": "",
        "cells_hb_g_l": HB if units else None,
    }  # fmt: skip


STEPS = [
    step(1, [1], 258), step(2, [], 200), step(3, [2, 3], 516), step(4, [], 200), step(5, [4, 5], 516),
]  # fmt: skip
ONE, TWO, SALINE = Laid("red_cells", 258, 258, HB), Laid("red_cells", 516, 516, HB), Laid("saline", 200, 200)
AS_IT_WAS = (SALINE, TWO, SALINE, TWO)


@pytest.fixture
def running(site, consultant, nurse):
    """Unit 1 is given and ended, unit 2 hangs and nothing of it is entered yet, unit 3 is checked; 4 and 5 are away."""
    predicted = {"hbs": [20.0, 19.0, 21.0], "hb_settled": [103.0, 100.0, 106.0]}
    found = factories.make_running(
        factories.make_patient("R1", site=site), by=consultant, units=5, steps=STEPS, predicted=predicted
    )
    factories.make_entry(found, "moved", {"step": 1, "in_ml": 258, "out_ml": 258, "unit": 1}, by=nurse)
    units = DonationUnit.objects.filter(exchange_session=found)
    units.filter(place=1).update(state="given", started_at=NOW, ended_at=NOW)
    units.filter(place=2).update(state="running", started_at=NOW)
    units.filter(place__gte=4).delete()
    return found


def be(running, place, state, **more):
    DonationUnit.objects.filter(exchange_session=running, place=place).update(state=state, **more)


def changed(running, *left):
    return draft_midway(midway(running), left, at=NOW)


def places(draft):
    return [step["units"] for step in draft.steps]


def test_an_emptied_saline_row_moves_steps_up_and_every_unit_stays_in_its_own(running, consultant, nurse):
    draft = changed(running, TWO, SALINE, TWO)
    assert places(draft) == [[1], [2, 3], [], [4, 5]]
    assert draft.units == 5
    change_plan(
        exchange_session=running, draft=replace(draft, limits=[]), signed_by=consultant, actor=nurse, at=NOW,
        why="no more saline", reasons={},
    )  # fmt: skip
    shown = run_of(running, viewer=nurse, today=TODAY, at=NOW)
    assert (shown.now.title, shown.now.ready, shown.place_next) == ("Red cells, unit 2 of 5", True, 2)


def test_a_plan_laid_out_as_it_was_keeps_its_units(running):
    assert places(changed(running, *AS_IT_WAS)) == [[1], [], [2, 3], [], [4, 5]]


@pytest.mark.parametrize("flagged", [False, True])
def test_through_one_arm_what_is_laid_out_anew_goes_in_first_only_with_a_flag(running, flagged):
    """The step that was begun keeps its row; the others are parted, given first where the person is flagged."""
    running.prescriptions.update(method="one_arm")
    running.patient.flag_brain = flagged
    rows = [(step["in_ml"], step["out_ml"]) for step in changed(running, *AS_IT_WAS[:2]).steps]
    parts = [[(200, 0), (0, 200)], [(516, 0), (0, 516)]]
    assert rows == [(258, 258), *(one for part in parts for one in (part if flagged else part[::-1]))]


def test_blood_taken_while_the_session_runs_is_not_blood_before_it(running, nurse):
    """By hand: HbS 40 % before; half-way the laboratory measures 24. What was done is not done twice over."""
    running.prescriptions.update(hbs_pct=40.0, hbs_is_forecast=True)
    planned = changed(running, *AS_IT_WAS)
    half_way = NOW + timedelta(minutes=30)
    factories.make_result(running.patient, analyte=Analyte.HBS, value=24.0, taken_at=half_way)
    again = draft_midway(midway(running), AS_IT_WAS, at=half_way + timedelta(minutes=20))
    assert (again.hbs_pct, again.hbs_is_forecast) == (40.0, True)
    assert again.predicted["hbs"] == planned.predicted["hbs"]
    factories.make_result(running.patient, analyte=Analyte.HBS, value=36.0, taken_at=NOW - timedelta(hours=1))
    assert changed(running, *AS_IT_WAS).hbs_pct == 36.0, "the sample before the first draw, in late"


def test_fewer_units_leave_out_those_that_are_not_here_and_keep_what_hangs_and_what_is_checked(running):
    assert places(changed(running, SALINE, TWO)) == [[1], [], [2, 3]]
    assert places(changed(running, ONE)) == [[1], [2]]
    be(running, 3, "at_chair")
    factories.make_unit(running, place=4, state="checked")
    assert places(changed(running, TWO)) == [[1], [2, 4]], "its two checks would be lost"


def test_one_more_unit_has_the_next_number_that_nobody_had(running):
    assert places(changed(running, *AS_IT_WAS, ONE)) == [[1], [], [2, 3], [], [4, 5], [6]]
    factories.make_unit(running, place=6, state="checked")  # brought beyond the plan
    assert places(changed(running, *AS_IT_WAS, TWO)) == [[1], [], [2, 3], [], [6, 4], [5, 7]]


def test_a_unit_put_away_is_in_no_step(running):
    be(running, 3, "discarded", end_reason="leaks")
    assert places(changed(running, *AS_IT_WAS)) == [[1], [], [2, 4], [], [5, 6]]


def test_steps_in_another_order_take_the_units_in_theirs(running):
    draft = changed(running, TWO, TWO, SALINE, SALINE)
    assert places(draft) == [[1], [2, 3], [4, 5], [], []]
    assert places(changed(running, ONE, SALINE, TWO, ONE)) == [[1], [2], [], [3, 4], [5]]


def test_a_unit_that_hangs_comes_first_whatever_its_number(running):
    be(running, 2, "checked", started_at=None)
    be(running, 3, "running", started_at=NOW)
    assert places(changed(running, ONE, SALINE, TWO)) == [[1], [3], [], [2, 4]]


def test_what_was_given_of_a_step_that_was_begun_stays(running, nurse):
    factories.make_entry(running, "step_done", {"step": 2}, by=nurse)
    factories.make_entry(running, "moved", {"step": 3, "in_ml": 258, "out_ml": 258, "unit": 2}, by=nurse)
    be(running, 2, "given", ended_at=NOW)
    be(running, 3, "running", started_at=NOW)
    assert places(changed(running, TWO, ONE)) == [[1], [], [2, 3], [4]]
    assert places(changed(running, Laid("red_cells", 774, 600, HB))) == [[1], [], [2, 3, 4]]


def test_a_unit_given_whole_whose_volume_is_not_entered_yet_keeps_its_step(running):
    be(running, 2, "given", ended_at=NOW)
    be(running, 3, "running", started_at=NOW)
    assert places(changed(running, TWO, SALINE, TWO)) == [[1], [2, 3], [], [4, 5]]
    be(running, 2, "given", end_reason="clotted")  # stopped before anything of it went in
    assert places(changed(running, TWO, SALINE, TWO)) == [[1], [3, 4], [], [5, 6]]


def test_a_full_unit_that_was_not_ended_yet_stays_where_it_was_given(running):
    be(running, 1, "running", ended_at=None)
    be(running, 2, "checked", started_at=None)
    assert places(changed(running, TWO, SALINE, TWO)) == [[1], [2, 3], [], [4, 5]]


@pytest.mark.parametrize("left", [(TWO,), (ONE, SALINE)])
def test_a_unit_across_two_steps_goes_on_in_the_second(running, nurse, left):
    """Planned 387 mL of units 1 and 2, then 387 mL of units 2 and 3; the first is done."""
    steps = [step(1, [1, 2], 387), step(2, [2, 3], 387)]
    running.prescriptions.update(steps=steps)
    factories.make_entry(running, "moved", {"step": 1, "in_ml": 129, "out_ml": 129, "unit": 2}, by=nurse)
    assert places(changed(running, Laid("red_cells", 387, 387, HB))) == [[1, 2], [2, 3]]
    assert places(changed(running, *left))[1][0] == 2


@pytest.mark.parametrize("left", [(SALINE,), ()])
def test_a_unit_that_hangs_without_a_step_is_refused(running, left):
    with pytest.raises(ValueError, match="unit 2 is being given and no step is left for it"):
        changed(running, *left)


def test_the_row_of_a_step_that_was_begun_is_not_taken_out(running, nurse):
    factories.make_entry(running, "step_done", {"step": 2}, by=nurse)
    factories.make_entry(running, "moved", {"step": 3, "in_ml": 100, "out_ml": 100, "unit": 2}, by=nurse)
    with pytest.raises(ValueError, match="step 3 was begun, so its row stays"):
        changed(running)


def test_no_more_units_than_a_session_takes(running):
    with pytest.raises(ValueError, match="at most 20 units"):
        changed(running, *[TWO] * 10)


def test_where_a_session_stands_is_four_queries(running, django_assert_num_queries):
    with django_assert_num_queries(4):
        midway(running)
