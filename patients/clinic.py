"""Writing what a clinic leaves behind: who pauses or leaves, notes on the course, checks done. Nothing is deleted."""

from __future__ import annotations

from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import CheckDone, CourseNote, Patient, Standing
from patients.numeric.checks import BY_NAME
from patients.services import change_of, finish_change, need_reason, refuse_future, save_person, state_of
from programme.core.models import User, Withdrawable


@transaction.atomic
def change_standing(
    *,
    patient: Patient,
    version: int,
    standing: str,
    since: date,
    reason: str,
    actor: User | None,
    at: datetime,
    left_because: str = "",
    review_on: date | None = None,
) -> Patient:
    """Record that a person is on the programme, paused or has left, from a day on and why.

    left_because: needed where they left, refused elsewhere. review_on: when to look at it again.
    """
    refuse_future(since, site=patient.site, at=at, field="standing_since")
    values = {"standing": standing, "standing_since": since, "standing_reason": need_reason(reason, "standing_reason")}
    if (standing == Standing.LEFT) != bool(left_because):
        raise ValidationError({"left_because": "Choose why they left, and only for somebody who has left."})
    if standing == Standing.PAUSED and review_on is None:
        raise ValidationError({"standing_review_on": "A pause needs a day on which it is looked at again."})
    values |= {"left_because": left_because, "standing_review_on": review_on}
    return save_person(patient, version, values, "change standing", actor=actor, at=at, why=reason)


@transaction.atomic
def add_note(*, patient: Patient, on: date, words: str, actor: User, at: datetime) -> CourseNote:
    """Note something on the course at a day that has come; the role in which it was written stays with it."""
    refuse_future(on, site=patient.site, at=at, field="on")
    note = CourseNote(patient=patient, on=on, words=words.strip(), by=actor, role=actor.role, at=at)
    note.full_clean()
    note.save()
    finish_change(patient, [change_of(patient, "note on the course", note)], actor=actor, at=at)
    return note


@transaction.atomic
def record_check(
    *, patient: Patient, check_name: str, on: date, words: str, actor: User | None, at: datetime
) -> CheckDone:
    """Record that a check of the monitoring list was done on a day, with what came of it. actor: None if it arrived."""
    if check_name not in BY_NAME:
        raise ValidationError({"check_name": f"{check_name!r} is no check; known are {', '.join(BY_NAME)}."})
    refuse_future(on, site=patient.site, at=at, field="on")
    done = CheckDone(patient=patient, check_name=check_name, on=on, words=words.strip(), by=actor, at=at)
    done.full_clean()
    done.save()
    finish_change(patient, [change_of(patient, "record check", done)], actor=actor, at=at)
    return done


def withdraw_note(*, patient: Patient, key: int, reason: str, actor: User, at: datetime) -> None:
    """Withdraw a note with a reason; it stays to be read. Raises ValidationError where it was withdrawn before."""
    with transaction.atomic():
        row = CourseNote.objects.select_for_update().get(patient=patient, pk=key)
        _withdraw(patient, row, "withdraw note", reason, actor, at)


def withdraw_check(*, patient: Patient, key: int, reason: str, actor: User | None, at: datetime) -> None:
    """Withdraw a check that was recorded wrongly, with a reason."""
    with transaction.atomic():
        row = CheckDone.objects.select_for_update().get(patient=patient, pk=key)
        _withdraw(patient, row, "withdraw check", reason, actor, at)


def _withdraw(patient: Patient, row: Withdrawable, action: str, reason: str, actor: User | None, at: datetime) -> None:
    if row.withdrawn_at is not None:
        raise ValidationError("It was withdrawn before.")
    before = state_of(row)
    row.withdrawn_at, row.withdrawn_by, row.withdrawn_reason = at, actor, need_reason(reason)
    row.full_clean()
    row.save()
    entry = change_of(patient, action, row, before=before, why=row.withdrawn_reason)
    finish_change(patient, [entry], actor=actor, at=at)
