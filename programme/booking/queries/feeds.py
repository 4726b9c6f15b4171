"""What a calendar address shows, and which addresses a unit has given out."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import QuerySet

from programme.booking.models import STANDING, Booking, BookingState, CalendarFeed
from programme.core.models import Site

BACK_DAYS = 31
"""So far back a calendar still shows places. Chosen here; not from a source."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One place. uid: the same as long as it is the same booking; changes: how often it was changed since."""

    uid: str
    on: date
    starts: time
    ends: time
    changes: int
    words: str


def feed_of(digest: str, at: datetime) -> CalendarFeed | None:
    """Return the calendar of a secret's digest, None where there is none, or it was revoked or has ended."""
    rows = CalendarFeed.objects.filter(secret_digest=digest, revoked_at=None).select_related("site", "chair")
    feed = rows.first()
    return feed if feed is not None and at < feed.until else None


def feeds_given_out(site: Site) -> QuerySet[CalendarFeed]:
    """Return the addresses of a unit, those in force first; one query."""
    rows = CalendarFeed.objects.filter(site=site).select_related("chair", "patient", "made_by")
    return rows.order_by("-revoked_at", "-made_at", "-pk")


def entries_of(feed: CalendarFeed, today: date) -> tuple[Entry, ...]:
    """Return the places of a calendar, from a month back on: those that stand or were kept; one query."""
    there = [*STANDING, BookingState.CAME]  # whoever came sits in the chair: it is not free
    rows = Booking.objects.filter(state__in=there, on__gte=today - timedelta(days=BACK_DAYS))
    rows = rows.filter(patient=feed.patient_id) if feed.chair is None else rows.filter(chair=feed.chair_id)
    words = "Appointment" if feed.chair is None else "Taken"  # a chair's name is free text, and may be clinical
    return tuple(
        Entry(_uid(feed, row), row.on, row.starts, row.ends, row.version - 1, words)
        for row in rows.order_by("on", "starts", "pk")
    )


def _uid(feed: CalendarFeed, row: Booking) -> str:
    """An identifier of the booking in this calendar, which tells nothing of either (RFC 7986, 5.3)."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"{feed.secret_digest}/{row.pk}"))
