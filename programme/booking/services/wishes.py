"""Writing what suits a person, when they are away, and that they wait for an earlier place.

None of it is clinical: it changes which places are offered, so no forecast or plan becomes stale by it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, time
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import change_of, local_day, need_reason, state_of
from programme.booking.models import Away, Waiting, Wishes
from programme.booking.numeric.places import spoken
from programme.core import trail
from programme.core.models import EditedMeanwhile, User

WISHES = ("weekdays", "earliest", "latest_end", "needs_two_nurses", "travel", "note")


@transaction.atomic
def set_wishes(
    *,
    patient: Patient,
    version: int,
    actor: User,
    at: datetime,
    weekdays: Iterable[int] = (),
    earliest: time | None = None,
    latest_end: time | None = None,
    needs_two_nurses: bool = False,
    travel: str = "",
    note: str = "",
) -> Wishes:
    """Store a person's wishes. version: the one they were opened at, 0 where there were none.

    Raises ValidationError with what is allowed, EditedMeanwhile where somebody else changed them.
    """
    _hold(patient)
    row = Wishes.objects.filter(patient=patient).first()
    if (row.version if row else 0) != version:
        raise EditedMeanwhile(
            "These wishes were changed by someone else meanwhile. Open the page again; nothing of yours was saved."
        )
    before = state_of(row) if row else None
    row = row or Wishes(patient=patient)
    days = sorted(set(weekdays))
    if days and not 0 <= days[0] <= days[-1] <= 6:
        raise ValidationError({"weekdays": "A weekday is 0 for Monday to 6 for Sunday."})
    row.weekdays = ",".join(map(str, days))
    row.earliest, row.latest_end, row.needs_two_nurses = earliest, latest_end, needs_two_nurses
    row.travel, row.note = travel.strip(), note.strip()
    row.full_clean()
    if before is None:
        row.save()
    else:
        row.save_changes(list(WISHES))
    trail.write([change_of(patient, "set wishes", row, before=before)], actor=actor, at=at)
    return row


@transaction.atomic
def add_away(
    *, patient: Patient, since: date, until: date, actor: User, at: datetime, cannot: bool = True, words: str = ""
) -> Away:
    """Record days on which a person cannot come, or would rather not. Raises ValidationError with what is allowed."""
    _hold(patient)
    today = local_day(at, patient.site)
    if until < since:
        raise ValidationError({"until": f"The last day, {spoken(until)}, comes before the first, {spoken(since)}."})
    if until < today:
        raise ValidationError(
            {"until": f"{spoken(until)} has been; allowed is a last day from today, {spoken(today)}, on."}
        )
    row = Away(patient=patient, since=since, until=until, cannot=cannot, words=words.strip())
    row.full_clean()
    row.save()
    trail.write([change_of(patient, "add days away", row)], actor=actor, at=at)
    return row


@transaction.atomic
def withdraw_away(*, row: Away, version: int, reason: str, actor: User, at: datetime) -> None:
    """Take days away back, with the reason; they stay in the record."""
    _hold(row.patient)
    _end(row, version, {"withdrawn_reason": need_reason(reason, "reason")}, "withdraw days away", actor, at)


@transaction.atomic
def wait(*, patient: Patient, actor: User, at: datetime, not_before: date | None = None, words: str = "") -> Waiting:
    """Put somebody on the list of those who would take an earlier place; raise ValidationError if they are on it."""
    _hold(patient)
    today = local_day(at, patient.site)
    if not_before is not None and not_before < today:
        raise ValidationError(
            {"not_before": f"{spoken(not_before)} has been; allowed is from today, {spoken(today)}, on."}
        )
    row = Waiting(patient=patient, since=today, not_before=not_before, words=words.strip(), by=actor)
    row.full_clean()
    row.save()
    trail.write([change_of(patient, "wait for earlier place", row)], actor=actor, at=at)
    return row


@transaction.atomic
def stop_waiting(*, row: Waiting, version: int, reason: str, actor: User, at: datetime) -> None:
    """Take somebody off that list, with the reason."""
    _hold(row.patient)
    if row.ended_on is not None:
        raise ValidationError("They no longer wait for an earlier place.")
    ended = {"ended_on": local_day(at, row.patient.site), "ended_reason": need_reason(reason, "reason")}
    _end(row, version, ended, "stop waiting", actor, at)


def _hold(patient: Patient) -> None:
    Patient.objects.select_for_update().get(pk=patient.pk)


def _end(row: Away | Waiting, version: int, values: dict[str, Any], action: str, actor: User, at: datetime) -> None:
    """Write the end of a row at its version, with its entry in the trail."""
    before = state_of(row)
    row.version = version
    for name, value in values.items():
        setattr(row, name, value)
    row.full_clean()
    row.save_changes(list(values))
    why = values.get("ended_reason") or values["withdrawn_reason"]
    trail.write([change_of(row.patient, action, row, before=before, why=why)], actor=actor, at=at)
