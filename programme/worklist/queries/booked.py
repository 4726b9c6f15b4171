"""Places in the diary as the list and the course show them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, time, timedelta

from django.db.models import Q

from programme.booking.models import GIVEN_UP, STANDING, Booking, BookingState
from programme.core.models import Site
from sessions.models import NOT_BEGUN

LOOKED_BACK_DAYS = 120  # a missed visit that is older than any gap says nothing of today; chosen here


@dataclass(frozen=True, slots=True)
class Place:
    """The next place of a person, their latest missed visit, and the latest of which nobody said what became of it.

    given_up: what became of their place of today that was cancelled or moved, '' where there was none.
    """

    key: int | None = None
    on: date | None = None
    starts: time | None = None
    chair: str = ""
    late_reason: str = ""
    confirmed: bool = False
    missed_on: date | None = None
    missed_key: int | None = None
    unsaid_on: date | None = None
    unsaid_key: int | None = None
    all_on: tuple[date, ...] = ()
    given_up: str = ""

    def missed_since(self, last_on: date | None) -> date | None:
        """The day of a missed visit after the last session, while nothing is booked instead; else None."""
        if self.missed_on is None or self.on is not None or (last_on is not None and last_on >= self.missed_on):
            return None
        return self.missed_on

    def left_open(self, state: str, today: date) -> str:
        """Why nobody is expected for a session of today in this state: 'missed', 'cancelled' or 'moved'; else ''."""
        if state not in NOT_BEGUN or self.on == today:
            return ""
        return BookingState.MISSED if self.missed_on == today else self.given_up

    def unsaid_since(self, last_on: date | None) -> date | None:
        """The day of a past visit that is neither kept nor missed, where no session says that they came."""
        return None if self.unsaid_on is None or (last_on is not None and last_on >= self.unsaid_on) else self.unsaid_on


def booked_places(site: Site, today: date, *, only: Collection[int] | None = None) -> Mapping[int, Place]:
    """Return the next place of everybody who has one, missed one lately, or gave up one of today; one query."""
    rows = Booking.objects.filter(
        Q(state__in=[*STANDING, BookingState.MISSED]) | Q(state__in=GIVEN_UP, on=today),
        patient__site=site, on__gte=today - timedelta(days=LOOKED_BACK_DAYS),
    )  # fmt: skip
    rows = rows if only is None else rows.filter(patient__in=only)
    found: dict[int, Place] = {}
    for row in rows.without_kept().select_related("chair").order_by("on", "starts"):
        known = found.get(row.patient_id, Place())
        found[row.patient_id] = _with(known, row, today)
    return found


def _with(known: Place, row: Booking, today: date) -> Place:
    """What is known of a person's places and one more of them; bookings come in the order of their days."""
    if row.state == BookingState.MISSED:
        return replace(known, missed_on=row.on, missed_key=row.pk)
    if row.state in GIVEN_UP:
        return replace(known, given_up=row.state)
    if row.on < today:
        return replace(known, unsaid_on=row.on, unsaid_key=row.pk)
    known = replace(known, all_on=(*known.all_on, row.on))
    if known.on is not None:
        return known
    return replace(
        known, key=row.pk, on=row.on, starts=row.starts, chair=row.chair.name, late_reason=row.late_reason,
        confirmed=row.state == BookingState.CONFIRMED,
    )  # fmt: skip
