"""Asking for a record to be erased, agreeing to it as somebody else, and withdrawing it: nothing is deleted here."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import need_reason
from programme.core import trail
from programme.core.models import EraseKind, Erasure, User
from programme.core.settings_of_site import site_settings
from programme.custody.numeric.forgetting import names
from programme.custody.queries.erasing import against

ASKED, AGREED, WITHDREW = "ask to erase person", "agree to erase person", "withdraw erasing of person"
GONE = "This person's record is not here any more."


@transaction.atomic
def ask(*, patient: Patient, kind: str, reason: str, typed_ref: str, actor: User, at: datetime) -> Erasure:
    """Store that a person's record is to be erased. Raises ValidationError with everything that stands against it.

    typed_ref: the reference as it was typed again, so that nobody is taken for somebody else.
    """
    held = Patient.objects.select_for_update(of=("self",)).select_related("site").get(pk=patient.pk)
    row = Erasure(
        site=held.site, patient_key=held.pk, kind=kind, reason=_plain_reason(held, reason), asked_by=actor, asked_at=at
    )
    _same(held, typed_ref)
    row.full_clean()
    _refuse(against(held, kind, at))
    row.save()
    _write(row, ASKED, held, why=f"{EraseKind(kind).label}: {row.reason}", actor=actor, at=at)
    return row


@transaction.atomic
def agree(*, erasure: Erasure, version: int, typed_ref: str, actor: User, at: datetime) -> Erasure:
    """Sign an erasure as the second person; it is due when the unit's wait is over.

    Raises ValidationError for who asked, for what is not open or signed already, and with everything that stands
    against it by now; EditedMeanwhile where it was changed after it was shown.
    """
    held, row = _hold(erasure, version)
    if row.agreed_by_id is not None:
        raise ValidationError("Somebody agreed meanwhile; open the page again.")
    _same(held, typed_ref)
    _refuse(against(held, row.kind, at))
    wait = timedelta(days=site_settings(row.site, at)["erasure_wait_days"])
    row.agreed_by, row.agreed_at, row.due_at = actor, at, at + wait
    row.full_clean()
    row.save_changes(["agreed_by", "agreed_at", "due_at"])
    _write(row, AGREED, held, why="", actor=actor, at=at)
    return row


@transaction.atomic
def withdraw(*, erasure: Erasure, version: int, why: str, actor: User, at: datetime) -> Erasure:
    """End an erasure that is not done; the record stays, and it can be asked for anew.

    Raises ValidationError without a reason or where it is not open, EditedMeanwhile where it was changed meanwhile.
    """
    held, row = _hold(erasure, version)
    row.withdrawn_by, row.withdrawn_at, row.withdrawn_why = actor, at, _plain_reason(held, why)
    row.full_clean()
    row.save_changes(["withdrawn_by", "withdrawn_at", "withdrawn_why"])
    _write(row, WITHDREW, held, why=row.withdrawn_why, actor=actor, at=at)
    return row


def _hold(erasure: Erasure, version: int) -> tuple[Patient, Erasure]:
    """Return person and erasure as they are now, both locked, the person first."""
    people = Patient.objects.select_for_update(of=("self",)).select_related("site")
    held = people.filter(pk=erasure.patient_key, site_id=erasure.site_id).first()
    row = Erasure.objects.select_for_update(of=("self",)).select_related("site").get(pk=erasure.pk)
    if held is None:
        raise ValidationError(GONE)
    if not row.is_open:
        raise ValidationError("This was withdrawn meanwhile. Nothing was changed.")
    row.version = version
    return held, row


def _plain_reason(patient: Patient, reason: str) -> str:
    """Return the reason, which outlives the record and so must not name the person."""
    reason = need_reason(reason, "reason")
    born = patient.birth_date
    days = [] if born is None else [f"{born:%Y-%m-%d}", f"{born:%-d %b %Y}", f"{born:%-d %B %Y}", f"{born:%d/%m/%Y}"]
    if names(reason, [patient.patient_ref, patient.family_name, patient.given_name, *days]):
        raise ValidationError(
            {"reason": "The reason stays when the record is gone: leave reference, name and birth date out of it."}
        )
    return reason


def _same(patient: Patient, typed_ref: str) -> None:
    if typed_ref.strip() != patient.patient_ref:
        raise ValidationError({"typed_ref": "This is not the reference of this person. Nothing was changed."})


def _refuse(reasons: tuple[str, ...]) -> None:
    if reasons:
        raise ValidationError(" ".join(["This record cannot be erased now.", *reasons]))


def _write(row: Erasure, action: str, patient: Patient, *, why: str, actor: User, at: datetime) -> None:
    after = {"number": row.number, "due_at": None if row.due_at is None else row.due_at.isoformat()}
    entry = trail.Change(
        row.site_id, patient.pk, action, row._meta.label, row.pk, row.version, why=why[:400], after=after
    )
    trail.write([entry], actor=actor, at=at)
