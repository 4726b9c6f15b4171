"""What must never be in the database is refused by the database, not only by forms."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction

from patients.models import Analyte
from sessions.models import State
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def patient(site):
    return make.make_patient()


def session_of(patient):
    return make.make_exchange_session(patient)


def one_checker_twice(patient):
    nurse = make.make_user()
    return make.make_unit(session_of(patient), first_checker=nurse, second_checker=nurse)


NEVER = {
    "patient_sex_known": lambda p: make.make_patient(sex="X"),
    "patient_untransfused_pct_range": lambda p: make.make_patient(untransfused_pct=101),
    "patient_pregnancy_order": lambda p: make.make_patient(
        pregnant_since=date(2026, 5, 1), pregnant_until=date(2026, 4, 1)
    ),
    "bodymeasure_weight_kg_range": lambda p: make.make_measure(p, weight_kg=301),
    "bodymeasure_height_cm_range": lambda p: make.make_measure(p, height_cm=1.65),
    "measure_says_something": lambda p: make.make_measure(p, weight_kg=None, height_cm=None),
    "goals_hbs_ceiling_pct_range": lambda p: make.make_goals(p, hbs_ceiling_pct=61),
    "goals_accepted_chance_range": lambda p: make.make_goals(p, accepted_chance=10),
    "goals_interval_order": lambda p: make.make_goals(p, shortest_interval_days=42, longest_interval_days=28),
    "goals_high_ceiling_has_reason": lambda p: make.make_goals(p, hbs_ceiling_pct=50),
    "labresult_fraction_range": lambda p: make.make_result(p, value=100.1),
    "labresult_hb_range": lambda p: make.make_result(p, analyte=Analyte.HB, value=9.2),
    "labresult_hct_range": lambda p: make.make_result(p, analyte=Analyte.HCT, value=31),
    "labresult_ferritin_range": lambda p: make.make_result(p, analyte=Analyte.FERRITIN, value=-1),
    "labresult_liver_iron_range": lambda p: make.make_result(p, analyte=Analyte.LIVER_IRON, value=101),
    "goals_override_has_reason": lambda p: make.make_goals(p, answers="overridden", reason=""),
    "patient_left_because_left": lambda p: make.make_patient(left_because="transfer"),
    "coursenote_withdrawn_has_reason": lambda p: p.course_notes.create(
        on=make.TODAY, words="x", by=make.make_user(), role="nurse", at=make.NOW, withdrawn_at=make.NOW
    ),
    "checkdone_withdrawn_has_reason": lambda p: p.checks_done.create(
        on=make.TODAY, check_name="eyes", by=make.make_user(), at=make.NOW, withdrawn_at=make.NOW
    ),
    "exchange_session_end_after_start": lambda p: make.make_exchange_session(
        p, started_at=make.NOW, ended_at=make.NOW - timedelta(minutes=1)
    ),
    "exchange_session_ended_reason": lambda p: make.make_planned_session(p, state=State.CANCELLED),
    "exchangesession_weight_kg_range": lambda p: make.make_exchange_session(p, weight_kg=1),
    "exchangesession_units_range": lambda p: make.make_exchange_session(p, units=21),
    "exchangesession_blood_out_ml_range": lambda p: make.make_exchange_session(p, blood_out_ml=-1),
    "exchangestep_in_ml_range": lambda p: make.make_step(session_of(p), in_ml=3001),
    "exchangestep_cells_hb_g_l_range": lambda p: make.make_step(session_of(p), cells_hb_g_l=19.4),
    "step_end_after_start": lambda p: make.make_step(
        session_of(p), started_at=make.NOW, ended_at=make.NOW - timedelta(minutes=1)
    ),
    "donationunit_volume_ml_range": lambda p: make.make_unit(session_of(p), volume_ml=49),
    "donationunit_hb_g_range": lambda p: make.make_unit(session_of(p), hb_g=9),
    "unit_end_reason": lambda p: make.make_unit(session_of(p), state="returned"),
    "unit_end_after_start": lambda p: make.make_unit(
        session_of(p), started_at=make.NOW, ended_at=make.NOW - timedelta(minutes=1)
    ),
    "unit_back_after_out": lambda p: make.make_unit(
        session_of(p), out_of_storage_at=make.NOW, back_in_storage_at=make.NOW - timedelta(minutes=1)
    ),
    "crossmatch_group_whole": lambda p: p.crossmatch_samples.create(taken_at=make.NOW, abo="O"),
    "unit_two_checkers": lambda p: one_checker_twice(p),
    "consent_order": lambda p: p.consents.create(given_on=date(2026, 5, 4), valid_until=date(2026, 5, 3)),
    "prescription_signed_by_someone": lambda p: make.make_prescription(session_of(p), authorised_at=make.NOW),
    "prescription_lapse_has_reason": lambda p: make.make_prescription(session_of(p), lapsed_at=make.NOW),
    "event_death_related": lambda p: p.adverse_events.create(
        at=make.NOW, kind="other", severity=4, imputability="unlikely", noted_by=make.make_user(), noted_at=make.NOW
    ),
    "followup_outcome_said": lambda p: p.follow_ups.create(
        exchange_session=session_of(p), kind="late_call", due_on=make.TODAY, opened_at=make.NOW, done_at=make.NOW
    ),
    "othertransfusion_units_range": lambda p: make.make_other_transfusion(p, units=0),
    "locklift_has_reason": lambda p: make.make_lock_lift(p, by=make.make_user(role="consultant"), reason=""),
    "suggestion_unavailable_has_reason": lambda p: make.make_unavailable_suggestion(p, reason=""),
}


@pytest.mark.parametrize("constraint", NEVER)
def test_what_must_never_be_is_refused_by_the_database(constraint, patient):
    with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
        NEVER[constraint](patient)


def test_a_reference_belongs_to_one_person_of_a_site(patient, other_site):
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_patient(patient.patient_ref)
    assert make.make_patient(patient.patient_ref, site=other_site).pk != patient.pk


def test_a_person_has_one_session_a_day(patient):
    on = date(2026, 5, 4)
    first = make.make_exchange_session(patient, on=on)
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_planned_session(patient, on=on)
    make.make_planned_session(patient, on=on, state=State.CANCELLED, ended_reason="unwell")
    assert patient.exchange_sessions.carried_out().get() == first


def test_a_person_has_one_session_running(patient):
    make.make_planned_session(patient, on=date(2026, 6, 1), state=State.RUNNING)
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_planned_session(patient, on=date(2026, 6, 2), state=State.RUNNING)
    assert patient.exchange_sessions.count() == 1


def test_a_session_abandoned_before_anything_moved_leaves_its_day_free(patient):
    on = date(2026, 5, 4)
    nothing = {"state": State.ABANDONED, "ended_reason": "no access", "on": on}
    make.make_planned_session(patient, **nothing)
    moved = make.make_planned_session(patient, **nothing, blood_out_ml=250)
    assert list(patient.exchange_sessions.carried_out()) == [moved]
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_planned_session(patient, on=on)


def test_a_unit_is_at_one_chair_at_a_time_and_may_come_back_after_it_was_returned(patient):
    first = make.make_exchange_session(patient, on=date(2026, 5, 4))
    second = make.make_exchange_session(patient, on=date(2026, 5, 11))
    number = {"donation_number": "Z999026000417", "product_code": "E0001A00"}
    unit = make.make_unit(first, **number, state="at_chair")
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_unit(second, **number, state="at_chair")
    unit.state, unit.end_reason = "returned", "session cancelled"
    unit.save_changes(["state", "end_reason"])
    assert make.make_unit(second, **number, state="at_chair").pk


def test_one_plan_of_a_session_is_in_force(patient):
    session, consultant = session_of(patient), make.make_user(role="consultant")
    first = make.make_prescription(session, signed_by=consultant)
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_prescription(session, number=2, signed_by=consultant)
    first.lapsed_at, first.lapsed_why = make.NOW, "Hb was corrected"
    first.save_changes(["lapsed_at", "lapsed_why"])
    make.make_prescription(session, number=2, signed_by=consultant)
    assert [row.number for row in session.prescriptions.in_force()] == [2]


def test_a_result_is_stored_once_and_superseded_once(patient):
    first = make.make_result(patient, source_key="a")
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_result(patient, source_key="a")
    corrected = make.make_result(patient, source_key="b", value=33, supersedes=first, status="corrected")
    with pytest.raises(IntegrityError), transaction.atomic():
        make.make_result(patient, source_key="c", supersedes=first, status="corrected")
    assert list(patient.results.in_force()) == [corrected]


@pytest.mark.parametrize("status", ["preliminary", "withdrawn"])
def test_results_that_do_not_count_are_not_in_force(patient, status):
    make.make_result(patient, status=status)
    make.make_result(patient, held_reason="a wrong tube is suspected")
    assert patient.results.in_force().count() == 0
