"""What came of a contact that fell due after a session: reached, tried again, or signs noted."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import change_of, finish_change, state_of
from programme.core.models import User
from sessions.day.models import FollowUp
from sessions.services import note_haemolysis_sign


@transaction.atomic
def end_follow_up(
    *,
    follow_up: FollowUp,
    version: int,
    outcome: str,
    actor: User,
    at: datetime,
    signs: Sequence[str] = (),
    signs_on: date | None = None,
) -> FollowUp:
    """Record what came of a contact. Signs of delayed haemolysis lock the suggestion until a consultant decides.

    version: of the row as the person saw it. signs: as in `HaemolysisSign.Sign`, seen on `signs_on`.
    Raises: ValidationError where it is done already or the outcome is not said.
    """
    row = _held(follow_up)
    if not outcome.strip():
        raise ValidationError({"outcome": "Say what came of it."})
    if signs and signs_on is None:
        raise ValidationError({"signs_on": "Say on which day the signs were noticed."})
    before = state_of(row)
    row.done_at, row.done_by, row.outcome, row.version = at, actor, outcome.strip(), version
    row.full_clean()
    row.save_changes(["done_at", "done_by", "outcome"])
    for sign in signs:
        note_haemolysis_sign(
            patient=row.patient, on=signs_on or row.due_on, sign=sign, note=outcome.strip()[:400], actor=actor, at=at
        )
    said = change_of(row.patient, "end follow-up", row, before=before, why=row.outcome)
    finish_change(row.patient, [said], actor=actor, at=at)
    return row


@transaction.atomic
def try_again(*, follow_up: FollowUp, version: int, due_on: date, tried: str, actor: User, at: datetime) -> FollowUp:
    """Record that nobody was reached, and when it falls due again; it stays open."""
    row = _held(follow_up)
    if not tried.strip():
        raise ValidationError({"outcome": "Say what was tried."})
    before = state_of(row)
    if due_on < row.opened_at.date():
        raise ValidationError({"due_on": "It cannot fall due before it was opened."})
    row.due_on, row.version = due_on, version
    row.full_clean()
    row.save_changes(["due_on"])
    said = change_of(row.patient, "try follow-up again", row, before=before, why=tried.strip()[:400])
    finish_change(row.patient, [said], actor=actor, at=at)
    return row


def _held(follow_up: FollowUp) -> FollowUp:
    Patient.objects.select_for_update().get(pk=follow_up.patient_id)
    row = FollowUp.objects.select_for_update(of=("self",)).select_related("patient__site").get(pk=follow_up.pk)
    if row.done_at is not None:
        raise ValidationError("Somebody has recorded already what came of it.")
    return row
