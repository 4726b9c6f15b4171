"""Why somebody can have no place at all: closed days, chairs, staff, or their own days and hours."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from programme.booking.numeric.calendar import NEVER_OPEN
from programme.booking.numeric.places import refusal
from programme.booking.queries.free import SiteCalendar
from programme.booking.queries.placing import ToPlace
from programme.core.numeric.words import listed

CLOSED_SAID = 3


def closed_words(row: ToPlace, calendar: SiteCalendar) -> str:
    """Name the days of somebody's window on which the unit would be open and is not; '' where there are none."""
    who = row.seeker
    since, until = max(who.earliest, who.today), row.due_by or calendar.last
    days = [
        f"{day.on:%a %-d %b} ({day.why})"
        for day in calendar.days
        if since <= day.on <= until and not day.open and not day.why.startswith(NEVER_OPEN)
    ]
    more = [f"{len(days) - CLOSED_SAID} more"] if len(days) > CLOSED_SAID else []
    return f" Closed in their window: {listed([*days[:CLOSED_SAID], *more])}." if days else ""


def why_no_place(row: ToPlace, calendar: SiteCalendar) -> str:
    """Why somebody has not one place: closed days, chairs, staff, or their own days, hours and sample window."""
    who = row.seeker
    since = max(who.earliest, who.today)
    days = [day for day in calendar.days if day.on >= since]
    if not any(day.open for day in days):
        return "The unit is closed on every day of these weeks that is of use to them."
    free = calendar.places(since=since, minutes=row.minutes, needs=row.needs)
    if not free:
        unlimited = replace(calendar, days=tuple(replace(day, most=None) for day in calendar.days))
        if unlimited.places(since=since, minutes=row.minutes):
            one = "one that counts for two" if row.needs > 1 else "one exchange more"
            said = f"Chairs are free for long enough on days that are of use to them, but staff cannot run {one} then."
        else:
            said = "No chair is free for long enough for them in these weeks, on a day that is of use to them."
        return f"{said}{closed_words(row, calendar)}"
    ahead = [place for place in free if place.on > who.today] or free
    refused = Counter(refusal(who, place, calendar.open_dates) for place in ahead)
    words = [words for words, _ in refused.most_common(1) if words]
    return " ".join(["No free place in these weeks is one that they can have.", *words]) + closed_words(row, calendar)
