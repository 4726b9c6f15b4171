"""Writing about people: the person, measures, goals, transfusion needs and laboratory results.

Each function is one transaction: it checks, writes, adds to the trail what was before and after, raises the person's
data version and announces the change. What a person can put right is raised as ValidationError (keyed by field where
it belongs to one); a row changed by someone else meanwhile as EditedMeanwhile. Nothing is written then.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, Model

from patients.models import (
    Antibody,
    BodyMeasure,
    Consent,
    CrossmatchSample,
    LabResult,
    Patient,
    ResultStatus,
    TransfusionNeeds,
)
from programme.core import changes, trail
from programme.core.models import Site, User

MOST_IN_ONE_QUERY = 500
Follower = Callable[[tuple[int, ...], datetime], None]
_followers: list[Follower] = []


def follow(follower: Follower) -> None:
    """Register `follower`, called inside the transaction of each change with the patients' keys and the time.

    So the stage above keeps its rebuildable copies true in the same transaction, without being called from here.
    """
    if follower not in _followers:
        _followers.append(follower)


def raise_data_version(patient_pks: Iterable[int]) -> None:
    """Raise the data version of these people by one; part of every clinical write, in its transaction.

    Whatever was reckoned for them before is stale from then on.
    """
    wanted = sorted(set(patient_pks))
    for start in range(0, len(wanted), MOST_IN_ONE_QUERY):
        some = Patient.objects.filter(pk__in=wanted[start : start + MOST_IN_ONE_QUERY])
        some.update(data_version=F("data_version") + 1)


def finish_change(patient: Patient, entries: Sequence[trail.Change], *, actor: User | None, at: datetime) -> None:
    """End the transaction of a clinical write: data version, trail, followers, announcement."""
    raise_data_version([patient.pk])
    trail.write(entries, actor=actor, at=at)
    for follower in _followers:
        follower((patient.pk,), at)
    changes.announce(patient.pk, at=at)


def state_of(row: Model) -> dict[str, Any]:
    """Return all that a row says, as the trail keeps it."""
    said = {field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields}
    return {name: value.isoformat() if isinstance(value, date | time) else value for name, value in said.items()}


def change_of(
    patient: Patient, action: str, row: Model, *, before: dict[str, Any] | None = None, why: str = ""
) -> trail.Change:
    """Return the trail's entry for `row`, a row about `patient`, as it is after the change."""
    return trail.Change(
        site_key=patient.site_id,
        patient_key=patient.pk,
        action=action,
        row_kind=row._meta.label,
        row_key=row.pk,
        row_version=getattr(row, "version", None),
        why=why,
        before=before,
        after=state_of(row),
    )


def local_day(at: datetime, site: Site) -> date:
    """Return the day that it is at the site at the moment `at`."""
    return at.astimezone(ZoneInfo(site.time_zone)).date()


def refuse_future(day: date | None, *, site: Site, at: datetime, field: str) -> None:
    """Raise ValidationError for a day after today."""
    today = local_day(at, site)
    if day is not None and day > today:
        raise ValidationError(
            {field: f"{day.isoformat()} is in the future; allowed is up to today, {today.isoformat()}."}
        )


def need_reason(why: str, field: str = "why") -> str:
    """Return the reason without blanks at its ends; raise ValidationError where there is none."""
    if not why.strip():
        raise ValidationError({field: "Say why: the reason is kept with the change."})
    return why.strip()


@dataclass(frozen=True, slots=True)
class PersonDetails:
    """What is recorded of a person, as the form has it."""

    sex: str
    family_name: str = ""
    given_name: str = ""
    birth_date: date | None = None
    genotype: str = ""
    untransfused_pct: float | None = None
    spleen: str = ""
    vascular_access: str = ""
    language: str = ""
    note: str = ""
    flag_brain: bool = False
    flag_heart: bool = False
    flag_lung_pressure: bool = False
    pregnant_since: date | None = None
    pregnant_until: date | None = None


@transaction.atomic
def add_patient(
    *,
    site: Site,
    patient_ref: str,
    details: PersonDetails,
    actor: User | None,
    at: datetime,
    standing_since: date | None = None,
    measured_on: date | None = None,
    height_cm: float | None = None,
    weight_kg: float | None = None,
) -> Patient:
    """Add a person to the programme, with height and weight where they are given (`measured_on`: by default today)."""
    since = standing_since or local_day(at, site)
    patient = Patient(site=site, patient_ref=patient_ref.strip(), standing_since=since, **asdict(details))
    refuse_future(details.birth_date, site=site, at=at, field="birth_date")
    patient.full_clean()
    patient.save()
    entries = [change_of(patient, "add person", patient)]
    if height_cm is not None or weight_kg is not None:
        measure = BodyMeasure(patient=patient, on=measured_on or since, height_cm=height_cm, weight_kg=weight_kg)
        entries.append(save_new(patient, "record measure", measure))
    finish_change(patient, entries, actor=actor, at=at)
    return patient


@transaction.atomic
def change_patient(
    *, patient: Patient, version: int, details: PersonDetails, actor: User | None, at: datetime, why: str = ""
) -> Patient:
    """Write what is recorded of a person; `version` is the one the form was opened with. No change writes nothing."""
    refuse_future(details.birth_date, site=patient.site, at=at, field="birth_date")
    return save_person(patient, version, asdict(details), "change person", actor=actor, at=at, why=why)


def save_person(
    patient: Patient, version: int, values: dict[str, Any], action: str, *, actor: User | None, at: datetime, why: str
) -> Patient:
    """Write values of the row of a person that differ, inside the caller's transaction; no change writes nothing."""
    before = state_of(patient)
    changed = [name for name, value in values.items() if getattr(patient, name) != value]
    if not changed:
        return patient
    for name in changed:
        setattr(patient, name, values[name])
    patient.full_clean()
    patient.version = version
    patient.save_changes(changed)
    finish_change(patient, [change_of(patient, action, patient, before=before, why=why)], actor=actor, at=at)
    return patient


def save_new(patient: Patient, action: str, row: Model, *, why: str = "") -> trail.Change:
    """Check and save a new row about a person; return its entry for the trail."""
    row.full_clean()
    row.save()
    return change_of(patient, action, row, why=why)


@transaction.atomic
def record_measure(
    *,
    patient: Patient,
    on: date,
    actor: User | None,
    at: datetime,
    weight_kg: float | None = None,
    height_cm: float | None = None,
    source: str = "",
) -> BodyMeasure:
    """Record a weight, a height or both as measured on a day."""
    refuse_future(on, site=patient.site, at=at, field="on")
    measure = BodyMeasure(patient=patient, on=on, weight_kg=weight_kg, height_cm=height_cm, source=source)
    finish_change(patient, [save_new(patient, "record measure", measure)], actor=actor, at=at)
    return measure


@transaction.atomic
def withdraw_measure(*, measure: BodyMeasure, why: str, actor: User | None, at: datetime) -> None:
    """Take a wrong weight or height out of use; the row stays, with the reason."""
    _withdraw(measure, "withdraw measure", why, actor=actor, at=at)


def _withdraw(
    row: BodyMeasure | CrossmatchSample | Consent, action: str, why: str, *, actor: User | None, at: datetime
) -> None:
    before = state_of(row)
    row.withdrawn_reason = need_reason(why)
    row.save()
    entry = change_of(row.patient, action, row, before=before, why=row.withdrawn_reason)
    finish_change(row.patient, [entry], actor=actor, at=at)


@transaction.atomic
def set_needs(
    *,
    patient: Patient,
    version: int | None,
    actor: User | None,
    at: datetime,
    abo: str = "",
    rhd: str = "",
    own_type: str = "",
    antigens_to_avoid: str = "",
    hbs_negative: bool = True,
    other: str = "",
) -> TransfusionNeeds:
    """Write what blood the person must have. `version`: as when the form was opened, None where there was no row."""
    values = {
        "abo": abo, "rhd": rhd, "own_type": own_type, "antigens_to_avoid": antigens_to_avoid,
        "hbs_negative": hbs_negative, "other": other,
    }  # fmt: skip
    Patient.objects.select_for_update().get(pk=patient.pk)  # else two who write the first needs at once both find none
    needs = TransfusionNeeds.objects.filter(patient=patient).first()
    before = None if needs is None else state_of(needs)
    needs = needs or TransfusionNeeds(patient=patient)
    for name, value in values.items():
        setattr(needs, name, value)
    needs.full_clean()
    if before is None:
        needs.save()
    else:
        needs.version = version or 0
        needs.save_changes(list(values))
    finish_change(patient, [change_of(patient, "set needs", needs, before=before)], actor=actor, at=at)
    return needs


@transaction.atomic
def add_antibody(
    *,
    patient: Patient,
    name: str,
    actor: User | None,
    at: datetime,
    found_year: int | None = None,
    found_elsewhere: bool = False,
) -> Antibody:
    """Record an antibody once found: permanent."""
    if found_year is not None and found_year > local_day(at, patient.site).year:
        raise ValidationError({"found_year": f"{found_year} is in the future."})
    antibody = Antibody(patient=patient, name=name.strip(), found_year=found_year, found_elsewhere=found_elsewhere)
    finish_change(patient, [save_new(patient, "add antibody", antibody)], actor=actor, at=at)
    return antibody


@transaction.atomic
def record_sample(
    *, patient: Patient, taken_at: datetime, actor: User | None, at: datetime, note: str = ""
) -> CrossmatchSample:
    """Record that a group-and-screen sample was taken."""
    if taken_at > at:
        now = at.astimezone(ZoneInfo(patient.site.time_zone))
        raise ValidationError({"taken_at": f"This time is in the future; allowed is up to now, {now:%H:%M}."})
    sample = CrossmatchSample(patient=patient, taken_at=taken_at, note=note)
    finish_change(patient, [save_new(patient, "record sample", sample)], actor=actor, at=at)
    return sample


@transaction.atomic
def record_group_found(
    *, sample: CrossmatchSample, abo: str, rhd: str, actor: User | None, at: datetime, why: str = ""
) -> CrossmatchSample:
    """Record the group that the laboratory found on a sample; in place of another one only with the reason."""
    Patient.objects.select_for_update().get(pk=sample.patient_id)
    row = CrossmatchSample.objects.select_related("patient").get(pk=sample.pk)
    if row.withdrawn_reason:
        raise ValidationError("This sample was withdrawn: what was found on it does not count.")
    if not (abo and rhd):
        raise ValidationError({"abo": "Give both ABO and D, as the laboratory reported them."})
    if (row.abo, row.rhd) == (abo, rhd):
        raise ValidationError({"abo": "This group is recorded for this sample already."})
    reason = need_reason(why) if row.abo else why.strip()
    before = state_of(row)
    row.abo, row.rhd = abo, rhd
    row.full_clean()
    row.save(update_fields=["abo", "rhd"])
    finish_change(
        row.patient,
        [change_of(row.patient, "record group found", row, before=before, why=reason)],
        actor=actor,
        at=at,
    )
    return row


@transaction.atomic
def withdraw_sample(*, sample: CrossmatchSample, why: str, actor: User | None, at: datetime) -> None:
    """Say that a sample does not count: no unit may be started on it any more."""
    _withdraw(sample, "withdraw sample", why, actor=actor, at=at)


@transaction.atomic
def record_consent(
    *, patient: Patient, given_on: date, valid_until: date, given_by: str, actor: User | None, at: datetime,
    note: str = "",
) -> Consent:  # fmt: skip
    """Record consent to the exchange programme; `given_by` says who gave it, the person or somebody for them."""
    refuse_future(given_on, site=patient.site, at=at, field="given_on")
    consent = Consent(patient=patient, given_on=given_on, valid_until=valid_until, given_by=given_by, note=note)
    finish_change(patient, [save_new(patient, "record consent", consent)], actor=actor, at=at)
    return consent


@transaction.atomic
def withdraw_consent(*, consent: Consent, on: date, why: str, actor: User | None, at: datetime) -> None:
    """Record that consent was taken back on a day, and why as far as it was said."""
    refuse_future(on, site=consent.patient.site, at=at, field="on")
    consent.withdrawn_on = on
    _withdraw(consent, "withdraw consent", why, actor=actor, at=at)


@transaction.atomic
def record_result(
    *,
    patient: Patient,
    analyte: str,
    value: float,
    taken_at: datetime,
    actor: User | None,
    at: datetime,
    time_known: bool = True,
    method: str = "",
    received_at: datetime | None = None,
) -> LabResult:
    """Record a result entered by hand, in the stored unit of its analyte."""
    result = new_result(
        patient=patient,
        analyte=analyte,
        value=value,
        taken_at=taken_at,
        time_known=time_known,
        method=method,
        received_at=received_at,
        at=at,
    )
    finish_change(patient, [save_new(patient, "record result", result)], actor=actor, at=at)
    return result


def new_result(
    *,
    patient: Patient,
    analyte: str,
    value: float,
    taken_at: datetime,
    at: datetime,
    time_known: bool = True,
    method: str = "",
    received_at: datetime | None = None,
) -> LabResult:
    """Return an unsaved result entered by hand; refuse one from the future."""
    taken_on = local_day(taken_at, patient.site)
    refuse_future(taken_on, site=patient.site, at=at, field="taken_at")
    return LabResult(
        patient=patient,
        analyte=analyte,
        value=value,
        method=method,
        taken_at=taken_at,
        taken_on=taken_on,
        time_known=time_known,
        received_at=received_at,
        recorded_at=at,
        source="by hand",
        source_key=uuid.uuid4().hex,
    )


@transaction.atomic
def correct_result(
    *,
    result: LabResult,
    value: float,
    why: str,
    actor: User | None,
    at: datetime,
    taken_at: datetime | None = None,
    method: str | None = None,
) -> LabResult:
    """Put a corrected row in the place of `result`, which stays and no longer counts."""
    return _supersede(result, ResultStatus.CORRECTED, value, why, taken_at, method, actor=actor, at=at)


@transaction.atomic
def withdraw_result(*, result: LabResult, why: str, actor: User | None, at: datetime) -> LabResult:
    """Take a wrong result out of use by a row that says so and why."""
    return _supersede(result, ResultStatus.WITHDRAWN, result.value, why, None, None, actor=actor, at=at)


def _supersede(
    result: LabResult,
    status: ResultStatus,
    value: float,
    why: str,
    taken_at: datetime | None,
    method: str | None,
    *,
    actor: User | None,
    at: datetime,
) -> LabResult:
    newer = newer_result(result, status=status, value=value, why=why, at=at, taken_at=taken_at, method=method)
    entry = save_new(result.patient, f"{status} result", newer, why=newer.why)
    finish_change(result.patient, [entry], actor=actor, at=at)
    return newer


def newer_result(
    result: LabResult,
    *,
    status: ResultStatus,
    value: float,
    why: str,
    at: datetime,
    taken_at: datetime | None = None,
    method: str | None = None,
) -> LabResult:
    """Return an unsaved row that will stand in the place of `result`; refuse where another does already."""
    if LabResult.objects.filter(supersedes=result).exists():
        raise ValidationError(
            "This result was corrected or withdrawn already; open the person again to see the newer row."
        )
    newer = new_result(
        patient=result.patient,
        analyte=result.analyte,
        value=value,
        taken_at=taken_at or result.taken_at,
        time_known=result.time_known if taken_at is None else True,
        method=result.method if method is None else method,
        received_at=at,
        at=at,
    )
    newer.status = status
    newer.supersedes = result
    newer.why = need_reason(why)
    return newer
