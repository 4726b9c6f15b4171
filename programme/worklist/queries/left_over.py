"""Sessions of days gone by that nobody brought to an end: each is somebody's to finish, close or cancel."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from programme.core.models import Site
from sessions.models import ExchangeSession, State

WORDS = {
    State.PLANNED: "planned, never signed",
    State.AUTHORISED: "signed, never started",
    State.RUNNING: "started, never finished",
    State.FINISHED: "finished, not closed",
}
"""By state, all of them of sessions that are not over; what is said of one whose day has gone by."""


@dataclass(frozen=True, slots=True)
class LeftOver:
    """One session of a day gone by that is not over."""

    key: int
    patient_ref: str
    name: str
    on: date
    state: str

    @property
    def words(self) -> str:
        return WORDS[State(self.state)]

    @property
    def has_begun(self) -> bool:
        return self.state in (State.RUNNING, State.FINISHED)


def left_over(site: Site, today: date) -> tuple[LeftOver, ...]:
    """Return the sessions of a site left from days before `today`, oldest first; one query.

    Whoever it was planned for: a person who has left the programme since still has it.
    """
    rows = ExchangeSession.objects.filter(patient__site=site, on__lt=today, state__in=WORDS)
    return tuple(
        LeftOver(row.pk, row.patient.patient_ref, row.patient.shown_name, row.on, row.state)
        for row in rows.select_related("patient").order_by("on", "pk")
    )
