"""The sessions of one person that are not over."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from patients.models import Patient
from sessions.models import ExchangeSession, State

IN_HAND = (State.PLANNED, State.AUTHORISED, State.RUNNING, State.FINISHED)


@dataclass(frozen=True, slots=True)
class SessionInHand:
    """A session that is planned, being carried out, or waiting for its results."""

    key: int
    on: date
    state: str


def sessions_in_hand(patient: Patient) -> tuple[SessionInHand, ...]:
    """Return the sessions of a person that are not over, soonest first; one query."""
    rows = ExchangeSession.objects.filter(patient=patient, state__in=IN_HAND).order_by("on", "pk")
    return tuple(SessionInHand(*row) for row in rows.values_list("pk", "on", "state"))
