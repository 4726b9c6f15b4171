"""Moving an exchange session from one state to the next: one transaction each, checked, recorded, announced."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction

from patients.services import change_of, finish_change, state_of
from programme.core import access
from programme.core.models import User
from sessions.day import rows
from sessions.day.numeric.states import MOVES, refusal
from sessions.models import ExchangeSession


@transaction.atomic
def move(
    *,
    exchange_session: ExchangeSession,
    name: str,
    version: int,
    actor: User | None,
    at: datetime,
    reason: str = "",
    values: dict[str, Any] | None = None,
) -> ExchangeSession:
    """Make the move `name`; `values` are written to the session's row with it.

    version: of the session as the person saw it. actor: None only where the programme itself lets a signature lapse.
    Raises: PermissionDenied where the matrix does not let the actor; ValidationError where the state does not allow it
        or a reason is missing; EditedMeanwhile where the session was changed since. Nothing is written then.
    """
    if actor is not None and not access.may(actor, f"move.{name}"):
        raise PermissionDenied(f"move.{name}")
    if actor is None and name != "lapse":
        raise PermissionDenied(f"move.{name}")
    refused = refusal(name, exchange_session.state, reason)
    if refused is not None:
        raise ValidationError(refused)
    before = state_of(exchange_session)
    written = {"state": MOVES[name].target} | (values or {})
    if MOVES[name].target in ("cancelled", "abandoned"):
        written["ended_reason"] = reason.strip()
    for field, value in written.items():
        setattr(exchange_session, field, value)
    exchange_session.full_clean()
    exchange_session.version = version
    exchange_session.save_changes(list(written))
    patient = exchange_session.patient
    said = change_of(patient, f"{name} session", exchange_session, before=before, why=reason.strip())
    finish_change(patient, [said], actor=actor, at=at)
    return exchange_session


def hold(exchange_session: ExchangeSession) -> ExchangeSession:
    """Return the session as it is now, held for this transaction together with its person's chain of the trail."""
    patient = rows.PATIENT_HELD.first(key=exchange_session.patient_id)
    now = rows.SESSION_HELD.first(key=exchange_session.pk)
    if patient is None or now is None:
        raise ExchangeSession.DoesNotExist("This session is no longer there.")
    patient.site = exchange_session.patient.site
    now.patient = patient
    return now
