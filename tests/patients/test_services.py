"""Writing about people: every change checks, is kept whole, is in the trail, and makes what was reckoned stale."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from patients import clinic, services
from patients.goals import GoalFigures, set_goals
from patients.models import Analyte, Antibody, BodyMeasure, Goals, LabResult, Patient
from patients.services import PersonDetails
from programme.core import changes, trail
from programme.core.models import EditedMeanwhile, Site, TrailEntry, User
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
DETAILS = PersonDetails(sex="F", family_name="Testwood", given_name="Ada", birth_date=date(1990, 5, 6))


@pytest.fixture
def patient(site: Site) -> Patient:
    return factories.make_patient("T-1", site=site)


def trail_of(patient: Patient) -> list[TrailEntry]:
    entries = list(TrailEntry.objects.filter(patient_key=patient.pk).order_by("number"))
    assert trail.faults(TrailEntry.objects.filter(patient_key=patient.pk)) == []
    return entries


WRITES: dict[str, Callable[[Patient, User], Any]] = {
    "change person": lambda p, u: services.change_patient(
        patient=p, version=p.version, details=PersonDetails(sex="F", family_name="Other"), actor=u, at=NOW
    ),
    "change standing": lambda p, u: clinic.change_standing(
        patient=p,
        version=p.version,
        standing="paused",
        since=TODAY,
        reason="travels",
        actor=u,
        at=NOW,
        review_on=TODAY,
    ),
    "record measure": lambda p, u: services.record_measure(patient=p, on=TODAY, weight_kg=61, actor=u, at=NOW),
    "set goals": lambda p, u: set_goals(
        patient=p, since=TODAY, figures=GoalFigures(hbs_ceiling_pct=25), reason="scan", actor=u, at=NOW
    ),
    "set needs": lambda p, u: services.set_needs(patient=p, version=None, abo="A", rhd="+", actor=u, at=NOW),
    "add antibody": lambda p, u: services.add_antibody(patient=p, name="anti-E", actor=u, at=NOW),
    "record result": lambda p, u: services.record_result(
        patient=p, analyte=Analyte.HB, value=91, taken_at=NOW, actor=u, at=NOW
    ),
}


@pytest.mark.parametrize("action", WRITES)
def test_every_write_is_in_the_trail_raises_the_version_and_is_announced(
    action: str, patient: Patient, nurse: User, django_capture_on_commit_callbacks: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[Any] = []
    monkeypatch.setattr(changes, "_subscribers", [lambda keys, at: told.append((keys, at))])
    with django_capture_on_commit_callbacks(execute=True):
        WRITES[action](patient, nurse)
    (entry,) = trail_of(patient)
    assert (entry.action, entry.actor, entry.at) == (action, nurse, NOW)
    assert entry.after is not None
    assert Patient.objects.get().data_version == patient.data_version + 1
    assert told == [((patient.pk,), NOW)]


@pytest.mark.parametrize("action", WRITES)
def test_a_write_that_fails_at_its_end_leaves_nothing(
    action: str, patient: Patient, nurse: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*keys: int, at: datetime) -> None:
        raise RuntimeError("the last step fails")

    monkeypatch.setattr(changes, "announce", fails)
    tables = (Patient, BodyMeasure, Goals, Antibody, LabResult, TrailEntry)
    before = [list(model.objects.order_by("pk").values()) for model in tables]
    with pytest.raises(RuntimeError, match="last step"):
        WRITES[action](Patient.objects.get(), nurse)
    assert [list(model.objects.order_by("pk").values()) for model in tables] == before


# The person


def test_a_person_is_added_with_height_and_weight(site: Site, nurse: User) -> None:
    patient = services.add_patient(
        site=site, patient_ref=" N-7 ", details=DETAILS, height_cm=165, weight_kg=60, actor=nurse, at=NOW
    )
    assert (patient.patient_ref, patient.standing, patient.standing_since) == ("N-7", "active", TODAY)
    measure = BodyMeasure.objects.get()
    assert (measure.on, measure.height_cm, measure.weight_kg) == (TODAY, 165, 60)
    assert [entry.action for entry in trail_of(patient)] == ["add person", "record measure"]


@pytest.mark.parametrize(("change", "message"), [
    ({"patient_ref": "T-1"}, "belongs to another person"),
    ({"details": PersonDetails(sex="X")}, "not a valid choice"),
    ({"details": PersonDetails(sex="F", birth_date=TODAY + timedelta(1))}, "in the future"),
    ({"details": PersonDetails(sex="F", untransfused_pct=20)}, "30 to 100"),
    ({"weight_kg": 900}, "2 to 300"),
])  # fmt: skip
def test_a_person_that_cannot_be_is_refused_whole(
    change: dict[str, Any], message: str, patient: Patient, site: Site, nurse: User
) -> None:
    wanted = {"patient_ref": "N-7", "details": DETAILS, "weight_kg": 60, **change}
    with pytest.raises(ValidationError, match=message):
        services.add_patient(site=site, actor=nurse, at=NOW, **wanted)
    assert Patient.objects.count() == 1
    assert TrailEntry.objects.count() == 0


def test_the_trail_holds_what_was_before_and_after(patient: Patient, nurse: User) -> None:
    WRITES["change person"](patient, nurse)
    (entry,) = trail_of(patient)
    assert (entry.before["family_name"], entry.after["family_name"]) == ("Testwood", "Other")
    assert (entry.before["birth_date"], entry.after["birth_date"]) == ("1994-03-14", None)


def test_no_change_writes_nothing(patient: Patient, nurse: User) -> None:
    same = PersonDetails(sex="F", family_name="Testwood", given_name="Ada", birth_date=date(1994, 3, 14), genotype="SS")
    services.change_patient(patient=patient, version=patient.version, details=same, actor=nurse, at=NOW)
    assert TrailEntry.objects.count() == 0
    assert Patient.objects.get().data_version == patient.data_version


def test_a_row_changed_meanwhile_is_not_overwritten(patient: Patient, nurse: User) -> None:
    opened_at = patient.version
    WRITES["change person"](patient, nurse)
    with pytest.raises(EditedMeanwhile):
        services.change_patient(patient=Patient.objects.get(), version=opened_at, details=DETAILS, actor=nurse, at=NOW)
    assert Patient.objects.get().family_name == "Other"


def test_leaving_needs_a_reason(patient: Patient, nurse: User) -> None:
    with pytest.raises(ValidationError, match="Say why"):
        clinic.change_standing(
            patient=patient, version=1, standing="left", since=TODAY, reason=" ", actor=nurse, at=NOW
        )


# Measures, goals, needs


def test_goals_are_added_and_never_overwritten(patient: Patient, consultant: User) -> None:
    WRITES["set goals"](patient, consultant)
    assert list(Goals.objects.order_by("since").values_list("hbs_ceiling_pct", "decided_by")) == [
        (30.0, None), (25.0, consultant.pk),
    ]  # fmt: skip


@pytest.mark.parametrize(("figures", "message"), [
    (GoalFigures(hbs_ceiling_pct=50), "needs a reason"),
    (GoalFigures(hbs_ceiling_pct=19), "20 to 60"),
    (GoalFigures(end_target_hbs_pct=30), "under the ceiling"),
    (GoalFigures(shortest_interval_days=40, longest_interval_days=30), "cannot be longer"),
    (GoalFigures(clinic_days="7"), "weekday numbers"),
    (GoalFigures(accepted_chance=0.6), "0.01 to 0.5"),
])  # fmt: skip
def test_goals_that_cannot_be_are_refused(
    figures: GoalFigures, message: str, patient: Patient, consultant: User
) -> None:
    with pytest.raises(ValidationError, match=message):
        set_goals(patient=patient, since=TODAY, figures=figures, reason="", actor=consultant, at=NOW)
    assert Goals.objects.count() == 1


def test_needs_are_one_row_with_every_change_in_the_trail(patient: Patient, nurse: User) -> None:
    needs = WRITES["set needs"](patient, nurse)
    services.set_needs(patient=patient, version=needs.version, abo="A", rhd="-", actor=nurse, at=NOW)
    with pytest.raises(EditedMeanwhile):
        services.set_needs(patient=patient, version=needs.version, abo="O", rhd="-", actor=nurse, at=NOW)
    second = trail_of(patient)[1]
    assert (second.before["rhd"], second.after["rhd"]) == ("+", "-")


def test_an_antibody_is_recorded_once(patient: Patient, nurse: User) -> None:
    WRITES["add antibody"](patient, nurse)
    with pytest.raises(ValidationError, match="recorded already"):
        services.add_antibody(patient=patient, name="anti-E", actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="in the future"):
        services.add_antibody(patient=patient, name="anti-C", found_year=2027, actor=nurse, at=NOW)


# Results


def record(patient: Patient, nurse: User, **fields: Any) -> LabResult:
    values = {"analyte": Analyte.HBS, "value": 31.0, "taken_at": NOW, **fields}
    return services.record_result(patient=patient, actor=nurse, at=NOW, **values)


def test_the_day_of_a_result_is_the_day_at_the_site(patient: Patient, nurse: User) -> None:
    # Half past eleven in the evening UTC is already the next day in British Summer Time.
    late = datetime(2026, 5, 30, 23, 30, tzinfo=UTC)
    assert record(patient, nurse, taken_at=late).taken_on == date(2026, 5, 31)


@pytest.mark.parametrize(("fields", "message"), [
    ({"value": 101.0}, "0 to 100"),
    ({"analyte": Analyte.HB, "value": 9.2}, "20 to 250 g/L"),
    ({"taken_at": NOW + timedelta(days=1)}, "in the future"),
    ({"analyte": "1-1"}, "not a valid choice"),
])  # fmt: skip
def test_a_result_that_cannot_be_is_refused(
    fields: dict[str, Any], message: str, patient: Patient, nurse: User
) -> None:
    with pytest.raises(ValidationError, match=message):
        record(patient, nurse, **fields)
    assert LabResult.objects.count() == 0


def test_a_correction_is_a_new_row_and_only_it_counts(patient: Patient, nurse: User) -> None:
    wrong = record(patient, nurse)
    right = services.correct_result(result=wrong, value=13.0, why="digits changed round", actor=nurse, at=NOW)
    assert list(LabResult.objects.in_force()) == [right]
    wrong.refresh_from_db()
    assert (wrong.value, right.value, right.supersedes) == (31.0, 13.0, wrong)
    with pytest.raises(ValidationError, match="corrected or withdrawn already"):
        services.correct_result(result=wrong, value=14.0, why="again", actor=nurse, at=NOW)


def test_a_withdrawn_result_stays_and_does_not_count(patient: Patient, nurse: User) -> None:
    wrong = record(patient, nurse)
    gone = services.withdraw_result(result=wrong, why="another person's tube", actor=nurse, at=NOW)
    assert (gone.status, gone.why) == ("withdrawn", "another person's tube")
    assert list(LabResult.objects.in_force()) == []
    assert LabResult.objects.count() == 2
    with pytest.raises(ValidationError, match="Say why"):
        services.withdraw_result(result=gone, why="", actor=nurse, at=NOW)


def test_raising_versions_of_many_people_takes_few_queries(site: Site, django_assert_num_queries: Any) -> None:
    people = [factories.make_patient(site=site, with_goals=False, with_measure=False) for _ in range(3)]
    with django_assert_num_queries(1):
        services.raise_data_version(person.pk for person in people)
    assert set(Patient.objects.values_list("data_version", flat=True)) == {2}


def test_consent_and_sample_are_recorded_and_withdrawn_with_a_reason(site, nurse):
    patient = factories.make_patient(site=site)
    consent = services.record_consent(
        patient=patient,
        given_on=TODAY,
        valid_until=TODAY + timedelta(days=365),
        given_by="herself",
        actor=nurse,
        at=NOW,
    )
    sample = services.record_sample(patient=patient, taken_at=NOW, actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="future"):
        services.record_sample(patient=patient, taken_at=NOW + timedelta(hours=1), actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="Consent cannot end before it was given"):
        services.record_consent(
            patient=patient, given_on=TODAY, valid_until=TODAY - timedelta(days=1), given_by="", actor=nurse, at=NOW
        )
    with pytest.raises(ValidationError, match="Say why"):
        services.withdraw_sample(sample=sample, why=" ", actor=nurse, at=NOW)
    services.withdraw_sample(sample=sample, why="not labelled", actor=nurse, at=NOW)
    services.withdraw_consent(consent=consent, on=TODAY, why="changed her mind", actor=nurse, at=NOW)
    actions = list(TrailEntry.objects.filter(patient_key=patient.pk).order_by("number").values_list("action", "why"))
    assert actions == [
        ("record consent", ""), ("record sample", ""), ("withdraw sample", "not labelled"),
        ("withdraw consent", "changed her mind"),
    ]  # fmt: skip
    consent.refresh_from_db()
    assert (consent.withdrawn_on, consent.withdrawn_reason) == (TODAY, "changed her mind")


def test_a_wrong_measure_is_withdrawn_and_stays(patient: Patient, nurse: User) -> None:
    measure = services.record_measure(patient=patient, on=TODAY, weight_kg=16, actor=nurse, at=NOW)
    services.withdraw_measure(measure=measure, why="digits changed round", actor=nurse, at=NOW)
    measure.refresh_from_db()
    assert measure.withdrawn_reason == "digits changed round"
    assert [entry.action for entry in trail_of(patient)] == ["record measure", "withdraw measure"]
