"""Making, signing and losing a plan: who may, what stands against it, and that no signature outlives its inputs."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from patients import goals
from patients import services as people
from patients.models import Analyte, Patient
from programme.core.models import EditedMeanwhile, TrailEntry, User
from sessions import services as exchange
from sessions.day.inputs import changed_since, standing_of
from sessions.day.models import Entry, Prescription
from sessions.day.numeric.draft import PlanDraft, difference, limit_words
from sessions.day.queries import plan_carried_out
from sessions.day.services.giving import put_away
from sessions.day.services.moves import move
from sessions.day.services.prescribing import (
    authorise,
    cancel,
    change_plan,
    lapse_where_changed,
    make_plan,
    plan_session,
)
from sessions.models import DonationUnit, ExchangeSession
from tests import factories
from tests.factories import NOW, PLANNED_STEPS, TODAY

pytestmark = pytest.mark.django_db

LIMIT = {"name": "hb_after", "words": "Hb at the end and its peak; HbS ends under 30 %", "reached": 108.0,
         "allowed": 110.0, "unit": "g/L", "state": "ok", "hard": True, "setting": "hard_hb_after"}  # fmt: skip
LATER = NOW + timedelta(minutes=20)


@pytest.fixture
def patient(site) -> Patient:
    someone = factories.make_patient("SM-042", site=site)
    factories.make_needs(someone)
    factories.make_antibody(someone, "anti-E", found_year=2014)
    return someone


def draft_for(patient: Patient, **values: Any) -> PlanDraft:
    hb = factories.make_result(patient, analyte=Analyte.HB, value=94.0)
    hbs = factories.make_result(patient, analyte=Analyte.HBS, value=30.4)
    measure = factories.make_measure(patient, on=TODAY, weight_kg=58.0, height_cm=None)
    inputs = {
        "hb": {"result": hb.pk, "value": 94.0, "taken_at": NOW.isoformat()},
        "hbs": {"result": hbs.pk, "value": 30.4, "forecast": None},
        "weight": {"measure": measure.pk, "value": 58.0, "on": TODAY.isoformat()},
        "sample": None,
        **standing_of(patient, TODAY),
    }
    found = {
        "method": "two_arm", "weight_kg": 58.0, "hb_g_l": 94.0, "hbs_pct": 30.4, "hbs_is_forecast": False,
        "blood_volume_ml": 3700.0, "mixing_volume_ml": 3870.0, "units": 2, "inputs": inputs, "steps": PLANNED_STEPS,
        "predicted": {"hbs": [20.0, 19.0, 21.0], "hb_settled": [103.0, 100.0, 106.0]}, "limits": [LIMIT],
    }  # fmt: skip
    return PlanDraft(**{**found, **values})


@pytest.fixture
def planned(patient, nurse) -> Prescription:
    return plan_session(patient=patient, on=TODAY, draft=draft_for(patient), actor=nurse, at=NOW)


def sign(plan: Prescription, consultant: User, **values: Any) -> Prescription:
    now = ExchangeSession.objects.get(pk=plan.exchange_session_id)
    asked = {"version": now.version, "number": plan.number, "reasons": {}, "actor": consultant, "at": NOW, **values}
    return authorise(exchange_session=now, **asked)


def state_of(plan: Prescription) -> str:
    return ExchangeSession.objects.get(pk=plan.exchange_session_id).state


# Planning and making again


def test_planning_makes_a_session_with_plan_1_in_one_go(planned, patient, nurse):
    exchange_session = planned.exchange_session
    assert (exchange_session.on, exchange_session.state, exchange_session.origin) == (TODAY, "planned", "here")
    assert (planned.number, planned.made_by, planned.weight_kg) == (1, nurse, 58.0)
    actions = list(TrailEntry.objects.filter(patient_key=patient.pk).values_list("action", flat=True))
    assert actions == ["plan session", "make plan"]
    assert Patient.objects.get(pk=patient.pk).data_version == 2


def test_nobody_is_planned_for_a_day_that_is_past_or_twice_on_one(patient, planned, nurse):
    draft = draft_for(patient)
    with pytest.raises(ValidationError, match="is past: a session that is over is recorded"):
        plan_session(patient=patient, on=TODAY - timedelta(days=1), draft=draft, actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="already has an exchange session on this day"):
        plan_session(patient=patient, on=TODAY, draft=draft, actor=nurse, at=NOW)
    assert Prescription.objects.count() == 1


def test_a_plan_made_again_has_the_next_number_and_keeps_the_old_one(planned, patient, nurse):
    again = make_plan(
        exchange_session=planned.exchange_session, version=1, draft=draft_for(patient, units=3), actor=nurse, at=LATER,
        why="one unit more",
    )  # fmt: skip
    assert again.number == 2
    assert Prescription.objects.get(pk=planned.pk).units == 2
    with pytest.raises(EditedMeanwhile):
        make_plan(exchange_session=planned.exchange_session, version=1, draft=draft_for(patient), actor=nurse, at=LATER)
    assert Prescription.objects.count() == 2


def test_the_difference_between_two_plans_is_said_in_figures_as_printed(patient):
    before, now = draft_for(patient), draft_for(patient, units=3, hb_g_l=90.4, weight_kg=58.04)
    assert difference(now, before, number=2) == "Against plan 2: Hb before 90 instead of 94 g/L; units 3 instead of 2."
    assert difference(before, before, number=4) == "The same as plan 4."
    turned = draft_for(patient, steps=list(reversed(PLANNED_STEPS)))
    assert difference(turned, before, number=1) == "As plan 1, with its steps laid out otherwise."


# Signing


def test_a_prescriber_signs_the_newest_plan_with_its_inputs(planned, consultant):
    signed = sign(planned, consultant)
    assert state_of(planned) == "authorised"
    assert (signed.authorised_by, signed.authorised_at, signed.broken) == (consultant, NOW, [])
    entry = TrailEntry.objects.get(action="sign plan 1")
    assert entry.after["inputs"]["hb"]["value"] == 94.0
    assert plan_carried_out(planned.exchange_session) == signed


@pytest.mark.parametrize("role", ["nurse", "coordinator"])
def test_only_a_prescriber_signs(planned, site, role):
    with pytest.raises(PermissionDenied):
        sign(planned, factories.make_user(role=role, site=site, username=f"{role}.2"))
    assert state_of(planned) == "planned"


def test_a_plan_that_was_made_again_meanwhile_is_not_signed(planned, patient, nurse, consultant):
    make_plan(exchange_session=planned.exchange_session, version=1, draft=draft_for(patient), actor=nurse, at=LATER)
    with pytest.raises(ValidationError, match="Plan 2 was made after the plan 1 that you saw"):
        sign(planned, consultant)


def test_a_plan_on_an_expected_hb_or_without_a_step_is_not_signed(patient, nurse, consultant):
    draft = draft_for(patient, steps=[], units=0)
    draft.inputs["hb"] = {"result": None, "value": 92.0, "taken_at": None}
    plan = plan_session(patient=patient, on=TODAY, draft=draft, actor=nurse, at=NOW)
    with pytest.raises(ValidationError) as refused:
        sign(plan, consultant)
    assert "There is no step to sign" in str(refused.value)
    assert "Hb before is only expected, not measured" in str(refused.value)


@pytest.mark.parametrize("state", ["warn", "stop"])
def test_a_passed_limit_needs_the_prescribers_reason(patient, nurse, consultant, state):
    row = {**LIMIT, "reached": 118.0, "state": state, "hard": False}
    plan = plan_session(patient=patient, on=TODAY, draft=draft_for(patient, limits=[row]), actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match=r"118, allowed is 110 g/L\. Give the reason for passing it"):
        sign(plan, consultant, reasons={"hb_after": "  "})
    assert state_of(plan) == "planned"
    signed = sign(plan, consultant, reasons={"hb_after": "acute chest syndrome"})
    assert signed.broken == [{"name": "hb_after", "words": limit_words(row), "reason": "acute chest syndrome"}]
    assert "acute chest syndrome" in TrailEntry.objects.get(action="sign plan 1").why


def test_a_hard_limit_is_passed_by_nobody(patient, nurse, consultant):
    row = {**LIMIT, "reached": 124.0, "allowed": 120.0, "state": "stop"}
    plan = plan_session(patient=patient, on=TODAY, draft=draft_for(patient, limits=[row]), actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="This stop cannot be passed here"):
        sign(plan, consultant, reasons={"hb_after": "I insist"})
    assert state_of(plan) == "planned"


# Lapsing


def _result(patient: Patient, analyte: str) -> Any:
    return patient.results.get(analyte=analyte, superseded_by__isnull=True)


def correct_hb(patient: Patient, nurse: User) -> None:
    people.correct_result(result=_result(patient, Analyte.HB), value=84.0, why="wrong tube", actor=nurse, at=LATER)


def withdraw_hb(patient: Patient, nurse: User) -> None:
    people.withdraw_result(result=_result(patient, Analyte.HB), why="clotted", actor=nurse, at=LATER)


def correct_hbs(patient: Patient, nurse: User) -> None:
    people.correct_result(result=_result(patient, Analyte.HBS), value=40.3, why="typed", actor=nurse, at=LATER)


def withdraw_weight(patient: Patient, nurse: User) -> None:
    people.withdraw_measure(measure=patient.measures.get(on=TODAY), why="with shoes", actor=nurse, at=LATER)


def new_weight(patient: Patient, nurse: User) -> None:
    people.record_measure(patient=patient, on=TODAY, weight_kg=51.5, actor=nurse, at=LATER)


def new_hb(patient: Patient, nurse: User) -> None:
    people.record_result(patient=patient, analyte=Analyte.HB, value=71.0, taken_at=LATER, actor=nurse, at=LATER)


def new_goals(patient: Patient, nurse: User) -> None:
    goals.set_goals(
        patient=patient, since=TODAY, figures=goals.GoalFigures(hb_ceiling_g_l=105), reason="iron", actor=nurse,
        at=LATER,
    )  # fmt: skip


def new_needs(patient: Patient, nurse: User) -> None:
    people.set_needs(patient=patient, version=patient.needs.version, abo="O", rhd="-", actor=nurse, at=LATER)


def new_antibody(patient: Patient, nurse: User) -> None:
    people.add_antibody(patient=patient, name="anti-Fya", actor=nurse, at=LATER)


def new_flag(patient: Patient, nurse: User) -> None:
    details = people.PersonDetails(sex="F", flag_brain=True, birth_date=patient.birth_date, genotype="SS")
    people.change_patient(patient=patient, version=patient.version, details=details, actor=nurse, at=LATER)


def pregnancy(patient: Patient, nurse: User) -> None:
    details = people.PersonDetails(sex="F", pregnant_since=TODAY, birth_date=patient.birth_date, genotype="SS")
    people.change_patient(patient=patient, version=patient.version, details=details, actor=nurse, at=LATER)


def another_height(patient: Patient, nurse: User) -> None:
    """At 60 kg a woman of 156 cm has 0.25 L less than one of 165 (Nadler SB et al., Surgery 1962;51:224-32)."""
    people.record_measure(patient=patient, on=TODAY, height_cm=156.0, actor=nurse, at=LATER)


def another_sex(patient: Patient, nurse: User) -> None:
    details = people.PersonDetails(sex="M", birth_date=patient.birth_date, genotype="SS")
    people.change_patient(patient=patient, version=patient.version, details=details, actor=nurse, at=LATER)


def another_birth_date(patient: Patient, nurse: User) -> None:
    details = people.PersonDetails(sex="F", birth_date=date(2015, 3, 14), genotype="SS")
    people.change_patient(patient=patient, version=patient.version, details=details, actor=nurse, at=LATER)


def cells_elsewhere(patient: Patient, nurse: User) -> None:
    exchange.record_other_transfusion(patient=patient, on=TODAY, elsewhere=True, units=2, actor=nurse, at=LATER)


def haemolysis(patient: Patient, nurse: User) -> None:
    exchange.note_haemolysis_sign(patient=patient, on=TODAY, sign="dark_urine", actor=nurse, at=LATER)


CAUSES = {
    correct_hb: "Hb 94 g/L of 1 Jun, 10:00 was corrected to 84 g/L: wrong tube.",
    withdraw_hb: "Hb 94 g/L of 1 Jun, 10:00 was withdrawn: clotted.",
    correct_hbs: "HbS 30.4 % of 1 Jun, 10:00 was corrected to 40.3 %: typed.",
    withdraw_weight: "The weight of 58 kg was withdrawn: with shoes.",
    new_weight: "A newer weight came, 51.5 kg of 1 Jun; the plan rests on 58.",
    new_hb: "; the plan rests on 94.",
    new_goals: "The goals were decided anew.",
    new_needs: "What blood the person must have was changed.",
    new_antibody: "anti-Fya was added to the antibodies.",
    new_flag: "The flags that set limits are now: cerebrovascular.",
    pregnancy: "A pregnancy was recorded",
    another_height: "The height recorded is now 156 cm; the blood volume of the plan rests on 165 cm.",
    another_sex: "The sex recorded is another now; the blood volume of the plan rests on the one before.",
    another_birth_date: "The birth date recorded is now 2015-03-14; the plan rests on ",
    cells_elsewhere: "Red cells given outside an exchange were recorded or withdrawn: Hb and HbS can be others now.",
    haemolysis: "Possible haemolysis",
}


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.__name__)
def test_a_signature_lapses_in_the_transaction_that_corrects_an_input(cause, planned, patient, nurse, consultant):
    sign(planned, consultant)
    cause(Patient.objects.get(pk=patient.pk), nurse)
    plan = Prescription.objects.get(pk=planned.pk)
    assert state_of(plan) == "planned"
    assert not plan.is_in_force
    assert CAUSES[cause] in plan.lapsed_why
    entry = TrailEntry.objects.get(action="lapse session")
    assert (entry.actor, entry.why) == (None, plan.lapsed_why)
    with pytest.raises(ValidationError, match="has lapsed; make the plan again"):
        sign(plan, consultant)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.__name__)
def test_a_plan_whose_input_was_corrected_before_it_is_signed_is_not_signed(cause, planned, patient, nurse, consultant):
    cause(Patient.objects.get(pk=patient.pk), nurse)
    with pytest.raises(ValidationError) as refused:
        sign(planned, consultant)
    assert CAUSES[cause].rstrip(".") in str(refused.value)
    assert "Make the plan again." in str(refused.value)


def test_a_signature_lapses_too_where_a_transfusion_that_it_knew_turns_out_to_be_a_mistake(patient, nurse, consultant):
    given = exchange.record_other_transfusion(patient=patient, on=TODAY, elsewhere=True, units=2, actor=nurse, at=NOW)
    plan = plan_session(patient=patient, on=TODAY, draft=draft_for(patient), actor=nurse, at=NOW)
    sign(plan, consultant)
    exchange.withdraw_other_transfusion(given=given, why="another person", actor=nurse, at=LATER)
    assert "recorded or withdrawn" in Prescription.objects.get(pk=plan.pk).lapsed_why


def test_a_lock_by_figures_lapses_the_signature_too(planned, patient, consultant):
    sign(planned, consultant)
    factories.make_forecast(patient, locked={"reason": "Hb and HbA mass lie low.", "rows": [], "until": "2026-06-20"})
    lapse_where_changed((patient.pk,), LATER)
    assert state_of(planned) == "planned"


def test_what_is_no_correction_leaves_the_signature(patient, nurse, consultant):
    """An HbS that comes for a plan made on a forecast re-scores the session and never takes the plan away."""
    draft = draft_for(patient, hbs_is_forecast=True)
    draft.inputs["hbs"] = {"result": None, "value": 31.0, "forecast": [28.0, 34.0]}
    plan = plan_session(patient=patient, on=TODAY, draft=draft, actor=nurse, at=NOW)
    sign(plan, consultant)
    people.record_result(patient=patient, analyte=Analyte.HBS, value=36.0, taken_at=NOW, actor=nurse, at=LATER)
    people.record_result(patient=patient, analyte=Analyte.FERRITIN, value=900.0, taken_at=NOW, actor=nurse, at=LATER)
    people.record_measure(patient=patient, on=TODAY, height_cm=165, actor=nurse, at=LATER)
    people.record_measure(patient=patient, on=TODAY, weight_kg=58.0, actor=nurse, at=LATER)  # weighed again, the same
    people.record_measure(patient=patient, on=TODAY - timedelta(days=3), weight_kg=55.0, actor=nurse, at=LATER)
    people.record_result(
        patient=patient, analyte=Analyte.HB, value=88.0, taken_at=NOW - timedelta(days=1), actor=nurse, at=LATER
    )
    assert state_of(plan) == "authorised"
    assert Prescription.objects.get(pk=plan.pk).is_in_force


def test_a_running_session_is_left_as_it_is_and_what_was_corrected_can_be_read(planned, patient, nurse, consultant):
    signed = sign(planned, consultant)
    now = ExchangeSession.objects.get(pk=planned.exchange_session_id)
    move(exchange_session=now, name="start", version=now.version, actor=nurse, at=NOW, values={"started_at": NOW})
    correct_hb(patient, nurse)
    assert state_of(planned) == "running"
    assert Prescription.objects.get(pk=signed.pk).is_in_force
    assert changed_since(signed, patient, TODAY) == (CAUSES[correct_hb],)


def test_a_plan_made_again_takes_the_signature_of_the_one_before(planned, patient, nurse, consultant):
    sign(planned, consultant)
    now = ExchangeSession.objects.get(pk=planned.exchange_session_id)
    make_plan(exchange_session=now, version=now.version, draft=draft_for(patient), actor=nurse, at=LATER, why="late")
    first = Prescription.objects.get(pk=planned.pk)
    assert (state_of(planned), first.lapsed_why) == ("planned", "Plan 2 was made. late")


# Cancelling, and changing while it runs


@pytest.mark.parametrize("unit_state", ["at_chair", "checked"])
def test_nothing_is_cancelled_before_it_is_said_what_becomes_of_its_units(planned, nurse, unit_state):
    now = ExchangeSession.objects.get(pk=planned.exchange_session_id)
    unit = factories.make_unit(now, place=1, state=unit_state)
    said = {"exchange_session": now, "version": now.version, "reason": "no access", "actor": nurse, "at": LATER}
    with pytest.raises(ValidationError, match=r"Unit 1 is .*: return or discard it"):
        cancel(**said)
    assert ExchangeSession.objects.get(pk=planned.exchange_session_id).state == now.state
    put_away(
        unit=unit,
        version=unit.version,
        key="p",
        state="returned",
        reason="session called off",
        actor=nurse,
        at=LATER,
        decided="the blood bank",
    )
    cancel(**said)
    assert ExchangeSession.objects.get(pk=planned.exchange_session_id).state == "cancelled"
    assert DonationUnit.objects.get(pk=unit.pk).state == "returned"


def test_cancelling_needs_a_reason_and_voids_the_signature(planned, nurse, consultant):
    sign(planned, consultant)
    now = ExchangeSession.objects.get(pk=planned.exchange_session_id)
    with pytest.raises(ValidationError, match="Say why the session is cancelled"):
        cancel(exchange_session=now, version=now.version, reason=" ", actor=nurse, at=LATER)
    cancel(exchange_session=now, version=now.version, reason="no blood came", actor=nurse, at=LATER)
    plan = Prescription.objects.get(pk=planned.pk)
    assert (state_of(plan), plan.lapsed_why) == ("cancelled", "The session was cancelled: no blood came")


@pytest.fixture
def running(planned, consultant, nurse) -> ExchangeSession:
    sign(planned, consultant)
    now = ExchangeSession.objects.get(pk=planned.exchange_session_id)
    return move(
        exchange_session=now, name="start", version=now.version, actor=nurse, at=NOW, values={"started_at": NOW}
    )


def test_a_change_while_it_runs_is_a_new_number_signed_by_a_prescriber(running, planned, patient, nurse, consultant):
    draft = draft_for(patient, units=1, steps=PLANNED_STEPS[:1])
    asked = {"exchange_session": running, "draft": draft, "reasons": {}, "actor": nurse, "at": LATER}
    with pytest.raises(PermissionDenied):
        change_plan(signed_by=nurse, why="one unit did not come", **asked)
    with pytest.raises(ValidationError, match="Say why"):
        change_plan(signed_by=consultant, why="", **asked)
    plan = change_plan(signed_by=consultant, why="one unit did not come", **asked)
    first = Prescription.objects.get(pk=planned.pk)
    assert (plan.number, plan.authorised_by, plan.is_in_force) == (2, consultant, True)
    assert (first.replaced_at, first.lapsed_at, first.is_in_force) == (LATER, None, False)
    entry = Entry.objects.get(kind="plan")
    assert (entry.body["number"], entry.body["replaces"], entry.by) == (2, 1, nurse)
    assert plan_carried_out(running) == plan


def test_a_change_while_it_runs_keeps_to_hard_limits(running, patient, nurse, consultant):
    row = {**LIMIT, "reached": 124.0, "state": "stop"}
    with pytest.raises(ValidationError, match="This stop cannot be passed"):
        change_plan(
            exchange_session=running, draft=draft_for(patient, limits=[row]), signed_by=consultant,
            reasons={"hb_after": "x"}, actor=nurse, at=LATER, why="more",
        )  # fmt: skip
    assert Prescription.objects.filter(exchange_session=running).count() == 1


def test_no_plan_is_signed_that_cuts_a_running_unit_loose(running, patient, nurse, consultant):
    factories.make_unit(running, place=2, state="running", started_at=NOW)
    asked = {
        "exchange_session": running, "reasons": {}, "actor": nurse, "at": LATER, "why": "less", "signed_by": consultant,
    }  # fmt: skip
    others = [PLANNED_STEPS[0], {**PLANNED_STEPS[1], "units": [1, 3]}]
    for steps in (PLANNED_STEPS[:1], others, [{**PLANNED_STEPS[0], "units": [2]}]):
        with pytest.raises(ValidationError, match="Unit 2 is being given and no step of the changed plan gives it"):
            change_plan(draft=draft_for(patient, units=1, steps=steps), **asked)
    assert Prescription.objects.filter(exchange_session=running, replaced_at=None).count() == 1
    assert change_plan(draft=draft_for(patient, steps=PLANNED_STEPS), **asked).number == 2


def test_a_prescriber_of_another_site_signs_nothing_here(running, patient, nurse, other_site):
    stranger = factories.make_user(role="consultant", site=other_site)
    with pytest.raises(PermissionDenied):
        change_plan(
            exchange_session=running, draft=draft_for(patient), signed_by=stranger, reasons={}, actor=nurse, at=LATER,
            why="x",
        )  # fmt: skip
