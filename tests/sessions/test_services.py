"""Writing about sessions: finished ones entered afterwards, corrections, transfusions elsewhere, signs, the lock."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from patients import services as patient_services
from patients.models import Analyte, LabResult, Patient
from programme.core import trail
from programme.core.models import EditedMeanwhile, Site, TrailEntry, User
from sessions import services
from sessions.models import ExchangeSession, ExchangeStep, LockLift, OtherTransfusion, ResultLink, SessionFacts
from sessions.services import FinishedSession, ResultGiven, StepGiven
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
ON = date(2026, 5, 4)
RESULTS = (
    ResultGiven("before", Analyte.HBS, 45.0),
    ResultGiven("after", Analyte.HBS, 18.0),
    ResultGiven("before", Analyte.HB, 92.0),
    ResultGiven("after", Analyte.HB, 103.0),
)
GIVEN = FinishedSession(
    on=ON, weight_kg=60, units=4, saline_in_ml=500, red_cells_in_ml=1032, blood_out_ml=1500,
    visit_reason="routine", admission_in_gap="no", results=RESULTS,
)  # fmt: skip


@pytest.fixture
def patient(site: Site) -> Patient:
    return factories.make_patient("T-1", site=site)


@pytest.fixture
def stored(patient: Patient, nurse: User) -> ExchangeSession:
    return services.record_finished_session(patient=patient, given=GIVEN, actor=nurse, at=NOW)


def correct(session: ExchangeSession, given: FinishedSession, nurse: User, **fields: Any) -> ExchangeSession:
    values = {"version": session.version, "why": "typed wrongly", **fields}
    return services.correct_finished_session(exchange_session=session, given=given, actor=nurse, at=NOW, **values)


def test_a_finished_session_is_stored_with_results_and_facts(stored: ExchangeSession, patient: Patient) -> None:
    assert (stored.state, stored.origin) == ("closed", "by_hand")
    facts = SessionFacts.objects.get()
    assert (facts.hbs_before_pct, facts.hbs_after_pct, facts.hb_before_g_l, facts.hb_after_g_l) == (45, 18, 92, 103)
    assert facts.missing == ""
    assert not ResultLink.objects.filter(by_rule=True).exists()
    entries = TrailEntry.objects.filter(patient_key=patient.pk)
    assert sorted(entry.action for entry in entries) == ["record result"] * 4 + ["record session"]
    assert trail.faults(entries) == []
    assert Patient.objects.get().data_version == 2


def test_totals_are_the_sums_of_the_steps(patient: Patient, nurse: User) -> None:
    steps = (StepGiven("saline", 500, 480), StepGiven("red_cells", 520, 500, 194), StepGiven("red_cells", 512, 520))
    plain = replace(GIVEN, saline_in_ml=None, red_cells_in_ml=None, blood_out_ml=None, steps=steps)
    session = services.record_finished_session(patient=patient, given=plain, actor=nurse, at=NOW)
    assert (session.saline_in_ml, session.red_cells_in_ml, session.blood_out_ml) == (500, 1032, 1500)
    assert list(ExchangeStep.objects.values_list("number", "fluid", "in_ml", "out_ml", "cells_hb_g_l")) == [
        (1, "saline", 500, 480, None), (2, "red_cells", 520, 500, 194), (3, "red_cells", 512, 520, None),
    ]  # fmt: skip


@pytest.mark.parametrize(("change", "message"), [
    ({"on": TODAY + timedelta(days=1)}, "in the future"),
    ({"on": date(1990, 1, 1)}, "before the person was born"),
    ({"weight_kg": 1}, "2 to 300"),
    ({"units": 21}, "0 to 20"),
    ({"steps": (StepGiven("saline", 400, 400),)}, "add up to 400 mL, but 500 mL"),
    ({"results": (RESULTS[0], RESULTS[0])}, "once before and once after"),
    ({"results": (ResultGiven("before", Analyte.HB, 9.2),)}, "20 to 250 g/L"),
    ({"started_at": NOW, "ended_at": NOW - timedelta(hours=1)}, "cannot end before it starts"),
])  # fmt: skip
def test_a_session_that_cannot_be_is_refused_whole(
    change: dict[str, Any], message: str, patient: Patient, nurse: User
) -> None:
    with pytest.raises(ValidationError, match=message):
        services.record_finished_session(patient=patient, given=replace(GIVEN, **change), actor=nurse, at=NOW)
    assert (ExchangeSession.objects.count(), LabResult.objects.count(), TrailEntry.objects.count()) == (0, 0, 0)


def test_one_session_a_day(stored: ExchangeSession, patient: Patient, nurse: User) -> None:
    with pytest.raises(ValidationError, match="already has an exchange session on this day"):
        services.record_finished_session(patient=patient, given=replace(GIVEN, results=()), actor=nurse, at=NOW)


def test_a_correction_keeps_what_was_said_before(stored: ExchangeSession, nurse: User) -> None:
    results = (replace(RESULTS[0], value=44.0), *RESULTS[1:3])
    correct(stored, replace(GIVEN, units=5, results=results), nurse)
    entry = TrailEntry.objects.get(action="correct session")
    assert (entry.before["units"], entry.after["units"], entry.why) == (4, 5, "typed wrongly")
    facts = SessionFacts.objects.get()
    assert (facts.hbs_before_pct, facts.hbs_after_pct, facts.hb_after_g_l) == (44.0, 18.0, None)
    assert facts.missing == "Hb after"
    assert sorted(LabResult.objects.values_list("status", flat=True)) == ["corrected"] + ["final"] * 4 + ["withdrawn"]
    # A result that was withdrawn by mistake can be entered again.
    stored.refresh_from_db()
    correct(stored, replace(GIVEN, units=5, results=(results[0], *RESULTS[1:])), nurse)
    assert SessionFacts.objects.get().hb_after_g_l == 103.0


def test_a_correction_without_change_of_results_leaves_them(stored: ExchangeSession, nurse: User) -> None:
    correct(stored, replace(GIVEN, note="late start"), nurse)
    assert LabResult.objects.count() == 4


def test_fewer_steps_leave_empty_ones_behind(patient: Patient, nurse: User) -> None:
    steps = (StepGiven("saline", 500, 500), StepGiven("red_cells", 516, 500), StepGiven("red_cells", 516, 500))
    session = services.record_finished_session(patient=patient, given=replace(GIVEN, steps=steps), actor=nurse, at=NOW)
    fewer = (StepGiven("saline", 500, 500), StepGiven("red_cells", 1032, 1000))
    correct(session, replace(GIVEN, steps=fewer), nurse)
    assert list(ExchangeStep.objects.order_by("number").values_list("in_ml", "out_ml")) == [
        (500, 500), (1032, 1000), (0, 0),
    ]  # fmt: skip


def test_a_session_changed_meanwhile_is_not_overwritten(stored: ExchangeSession, nurse: User) -> None:
    correct(stored, replace(GIVEN, units=5), nurse, version=1)
    with pytest.raises(EditedMeanwhile):
        correct(ExchangeSession.objects.get(), replace(GIVEN, units=6), nurse, version=1)
    assert ExchangeSession.objects.get().units == 5


def test_only_what_was_carried_out_is_corrected_and_with_a_reason(patient: Patient, nurse: User) -> None:
    planned = factories.make_planned_session(patient, on=ON)
    with pytest.raises(ValidationError, match="carried out"):
        correct(planned, GIVEN, nurse)
    done = factories.make_exchange_session(patient, on=date(2026, 4, 6))
    with pytest.raises(ValidationError, match="Say why"):
        correct(done, replace(GIVEN, on=date(2026, 4, 6)), nurse, why="")


# Results that reach a session by another way


def test_a_corrected_or_withdrawn_result_changes_the_facts(stored: ExchangeSession, nurse: User) -> None:
    linked = ResultLink.objects.get(position="after", result__analyte=Analyte.HBS).result
    newer = patient_services.correct_result(result=linked, value=16.0, why="typed wrongly", actor=nurse, at=NOW)
    assert SessionFacts.objects.get().hbs_after_pct == 16.0
    patient_services.withdraw_result(result=newer, why="wrong tube", actor=nurse, at=NOW)
    facts = SessionFacts.objects.get()
    assert (facts.hbs_after_pct, facts.missing) == (None, "HbS after")


def test_a_loose_result_the_day_before_is_paired_by_rule(patient: Patient, nurse: User) -> None:
    services.record_finished_session(patient=patient, given=replace(GIVEN, results=RESULTS[1:]), actor=nurse, at=NOW)
    day_before = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)
    patient_services.record_result(
        patient=patient, analyte=Analyte.HBS, value=44.0, taken_at=day_before, actor=nurse, at=NOW
    )
    link = ResultLink.objects.get(result__value=44.0)
    assert (link.position, link.by_rule) == ("before", True)
    assert SessionFacts.objects.get().hbs_before_pct == 44.0


# Other transfusions, signs, the lock


@pytest.mark.parametrize(("amount", "known", "hb_g"), [
    ({"units": 2.0}, True, 100.0), ({"volume_ml": 258.0}, True, 50.0), ({"hb_g": 55.0}, True, 55.0),
    ({"amount_known": False}, False, 0.0),
])  # fmt: skip
def test_a_transfusion_in_the_gap_reaches_the_facts(
    amount: dict[str, Any], known: bool, hb_g: float, stored: ExchangeSession, patient: Patient, nurse: User
) -> None:
    later = replace(GIVEN, on=date(2026, 6, 1), results=())
    services.record_finished_session(patient=patient, given=later, actor=nurse, at=NOW)
    services.record_other_transfusion(
        patient=patient, on=date(2026, 5, 18), elsewhere=True, actor=nurse, at=NOW, **amount
    )
    facts = SessionFacts.objects.get(day=later.on.toordinal())
    assert (facts.gap_known, facts.topup_hb_g) == (known, hb_g)
    assert facts.topup_day == (date(2026, 5, 18).toordinal() if hb_g else None)
    services.withdraw_other_transfusion(given=OtherTransfusion.objects.get(), why="another person", actor=nurse, at=NOW)
    facts = SessionFacts.objects.get(day=later.on.toordinal())
    assert (facts.gap_known, facts.topup_hb_g) == (True, 0.0)


def test_an_amount_is_needed_unless_it_is_said_to_be_unknown(patient: Patient, nurse: User) -> None:
    with pytest.raises(ValidationError, match="how much was given"):
        services.record_other_transfusion(patient=patient, on=TODAY, elsewhere=False, actor=nurse, at=NOW)


def test_a_sign_takes_its_gap_out_of_the_pace(stored: ExchangeSession, patient: Patient, nurse: User) -> None:
    later = replace(GIVEN, on=date(2026, 6, 1), results=())
    services.record_finished_session(patient=patient, given=later, actor=nurse, at=NOW)
    services.note_haemolysis_sign(patient=patient, on=date(2026, 5, 14), sign="dark_urine", actor=nurse, at=NOW)
    assert not SessionFacts.objects.get(day=later.on.toordinal()).gap_known
    assert TrailEntry.objects.filter(action="note sign").count() == 1


def test_only_a_consultant_lifts_the_lock_and_says_why(patient: Patient, nurse: User, consultant: User) -> None:
    with pytest.raises(ValidationError, match="Only a consultant"):
        services.lift_lock(patient=patient, reason="looks well", actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="Say why"):
        services.lift_lock(patient=patient, reason="  ", actor=consultant, at=NOW)
    services.lift_lock(patient=patient, reason="Hb and HbA back, no haemolysis", actor=consultant, at=NOW)
    assert (LockLift.objects.get().on, LockLift.objects.get().by) == (TODAY, consultant)
