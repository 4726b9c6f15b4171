"""Making and revoking the secret addresses of calendars. Only a digest of each is kept."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import state_of
from programme.booking.models import CalendarFeed, Chair
from programme.core import trail
from programme.core.models import User

SECRET_BYTES = 32


def digest_of(secret: str) -> str:
    """Return what is kept of a secret address."""
    return hashlib.sha256(secret.encode()).hexdigest()


@transaction.atomic
def make_feed(
    *, actor: User, at: datetime, chair: Chair | None = None, patient: Patient | None = None
) -> tuple[CalendarFeed, str]:
    """Make a calendar address of one chair or one person of the actor's unit; return it with its secret.

    The secret cannot be shown again. Raises ValidationError unless exactly one of the two is given.
    """
    of = chair or patient
    if of is None or (chair is not None and patient is not None):
        raise ValidationError("Choose one chair, or give one person’s reference.")
    if of.site_id != actor.site_id:
        raise ValidationError("This belongs to another unit.")
    secret = secrets.token_urlsafe(SECRET_BYTES)
    row = CalendarFeed(
        site_id=actor.site_id, chair=chair, patient=patient, secret_digest=digest_of(secret), made_at=at, made_by=actor
    )
    row.full_clean()
    row.save()
    _write(row, "make calendar address", None, actor, at)
    return row, secret


@transaction.atomic
def revoke_feed(*, row: CalendarFeed, actor: User, at: datetime) -> None:
    """Make a calendar address unreadable from now on."""
    row = CalendarFeed.objects.select_for_update().get(pk=row.pk)
    if row.revoked_at is not None:
        raise ValidationError("This address was revoked already.")
    before = state_of(row)
    row.revoked_at = at
    row.save(update_fields=["revoked_at"])
    _write(row, "revoke calendar address", before, actor, at)


def _write(row: CalendarFeed, action: str, before: dict[str, object] | None, actor: User, at: datetime) -> None:
    entry = trail.Change(
        row.site_id, row.patient_id, action, row._meta.label, row.pk, before=before, after=state_of(row)
    )  # fmt: skip
    trail.write([entry], actor=actor, at=at)
