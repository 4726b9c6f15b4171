"""Whose session, as it is reckoned now, would outlast the place that was booked for it; no query."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import time

from programme.booking.numeric.calendar import ends_at
from programme.booking.queries.free import Booked, SiteCalendar
from programme.booking.queries.placing import ToPlace


@dataclass(frozen=True, slots=True)
class Outlasting:
    """A booking that is too short by now: the minutes needed, and what stands against going on."""

    booking: Booked
    minutes: int
    why: str


def outlasting(rows: Iterable[ToPlace], calendar: SiteCalendar) -> tuple[Outlasting, ...]:
    """Return the next bookings of people that end before their session would, by day and start.

    Units or method may have changed since it was booked; the place is not made longer by itself.
    """
    bookings, found = {row.pk: row for row in calendar.bookings}, []
    for row in rows:
        held = None if row.next_booked is None else bookings.get(row.next_booked.pk)
        if held is None or not row.known or row.in_chair:
            continue
        ends = ends_at(held.starts, held.ends, row.minutes)
        if ends != held.ends:
            found.append(Outlasting(held, row.minutes, _why(held, ends, calendar)))
    return tuple(sorted(found, key=lambda one: (one.booking.on, one.booking.starts, one.booking.pk)))


def _why(held: Booked, ends: time | None, calendar: SiteCalendar) -> str:
    """Say until when it would last, and who or what comes before that."""
    until = "past midnight" if ends is None else f"until {ends:%H:%M}"
    day = calendar.day(held.on)
    last = ends or time.max
    after = [
        f"{row.name} has the chair from {row.starts:%H:%M}"
        for row in calendar.bookings
        if row.stands and (row.chair_pk, row.on) == (held.chair_pk, held.on) and held.ends <= row.starts < last
    ]
    after += [
        f"the chair is used for something else: {use.said}"
        for use in calendar.uses
        if use.takes(held.chair_pk, held.on, held.ends, last)
    ]
    if day is not None and day.closes is not None and day.closes < last:
        after.append(f"the unit closes at {day.closes:%H:%M}")
    then = ", and ".join(after) or "somebody else can be booked after that"
    return f"it would last {until}, and the chair is theirs to {held.ends:%H:%M}; {then}"
