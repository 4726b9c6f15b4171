"""Consent taken back on the day, as pages at the chair say it: when, who recorded it, and what was said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from programme.core.models import TrailEntry
from sessions.day.queries import consent_taken_back
from sessions.models import ExchangeSession


@dataclass(frozen=True, slots=True)
class TakenBack:
    """on: the day on which it was taken back; at, by: when it was recorded and by whom, as the trail has it."""

    on: date
    at: datetime | None
    by: str
    why: str


def taken_back_of(exchange_session: ExchangeSession, today: date) -> TakenBack | None:
    """Return what stops every further unit of a session, None where nothing does. One query, two where it is so."""
    patient = exchange_session.patient
    row = consent_taken_back(exchange_session, today)
    if row is None or row.withdrawn_on is None:
        return None
    entries = TrailEntry.objects.filter(patient_key=patient.pk, action="withdraw consent", row_key=row.pk)
    entry = entries.select_related("actor").order_by("-number").first()
    return TakenBack(
        on=row.withdrawn_on,
        at=entry.at if entry else None,
        by=entry.actor.full_name if entry and entry.actor else "",
        why=row.withdrawn_reason,
    )
