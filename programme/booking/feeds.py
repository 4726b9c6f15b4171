"""Calendars that other programs read (RFC 5545), made from plain values.

Times are written in UTC, so no time zone has to be described in the file. No name and no clinical word stands in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event

from programme.booking.queries.feeds import Entry


def calendar_text(entries: Iterable[Entry], *, zone: ZoneInfo, made_at: datetime) -> bytes:
    """Return a calendar of these entries. zone: the unit's own, in which their times are read."""
    calendar = Calendar()
    calendar.add("prodid", "-//Ebbline//Diary//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for entry in entries:
        event = Event()
        event.add("uid", entry.uid)
        event.add("dtstamp", made_at.astimezone(UTC))
        event.add("dtstart", datetime.combine(entry.on, entry.starts, tzinfo=zone).astimezone(UTC))
        event.add("dtend", datetime.combine(entry.on, entry.ends, tzinfo=zone).astimezone(UTC))
        event.add("summary", entry.words)
        event.add("sequence", entry.changes)
        event.add("class", "PRIVATE")
        calendar.add_component(event)
    text: bytes = calendar.to_ical()
    return text
