"""Why somebody is left without a place: which limit holds."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from programme.booking.numeric.calendar import NEVER_OPEN, Place
from programme.booking.numeric.due import Due
from programme.booking.numeric.places import refusal
from programme.booking.numeric.staff import Run
from programme.booking.queries.free import SiteCalendar
from programme.booking.queries.placing import ToPlace
from programme.booking.queries.problem import Problem
from programme.core.numeric.words import listed

CLOSED_SAID = 3


def why_left(one: Due, problem: Problem, placed: Mapping[str, Place]) -> str:
    """Say which limit holds: what the person can do, the chairs, or the staff. placed: who was given which place."""
    kept, trouble = placed.get(one.key), problem.troubles.get(one.key)
    if trouble:
        limit = why_left(one, replace(problem, troubles={}), placed)
        return f"Booked on {problem.old[one.key].on:%a %-d %b}, which cannot be kept: {trouble.why}. {limit}"
    if problem.lost_fixed(one.key, kept):
        stay = "" if kept is None else f" They stay booked on {kept.on:%a %-d %b}."
        return f"The place they were to keep is not free for them any more.{stay}"
    if kept is not None:
        return f"No earlier place is left for them; they stay booked on {kept.on:%a %-d %b}, after the last safe day."
    if not one.places:
        return _why_no_place(problem.people[one.key], problem.calendar)
    days = sorted({place.on for place in one.places})
    span = (
        f"{days[0]:%a %-d %b}"
        if len(days) == 1
        else f"{len(days)} days from {days[0]:%a %-d %b} to {days[-1]:%a %-d %b}"
    )
    limit = _limit(one, problem, placed)
    closed = _closed(problem.people[one.key], problem.calendar)
    return f"Their places, on {span}, go to others who would be more over; the limit is {limit}.{closed}"


def _limit(one: Due, problem: Problem, placed: Mapping[str, Place]) -> str:
    """Whether chairs or staff stand against the places of somebody, once everybody else has theirs."""
    runs, held = defaultdict[date, list[Run]](list), set[tuple[date, int, int]]()
    for ref, place in placed.items():
        held.update(place.slots)
        if ref not in problem.troubles or not problem.stays(ref, place):  # who stays there is counted already
            runs[place.on].append(place.run(problem.people[ref].needs))
    staff = {on: staffed.beside(*runs[on]) for on, staffed in problem.room.items()}
    no_chair = [not held.isdisjoint(place.slots) for place in one.places]
    no_staff = [place.on in staff and not staff[place.on].has_room(place.run(one.needs)) for place in one.places]
    if all(no_chair):
        return "the chairs that are free, and the staff too" if all(no_staff) else "the chairs that are free"
    return "the staff at these times" if all(no_staff) else "the chairs at some of these times, the staff at others"


def _closed(row: ToPlace, calendar: SiteCalendar) -> str:
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


def _why_no_place(row: ToPlace, calendar: SiteCalendar) -> str:
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
        return f"{said}{_closed(row, calendar)}"
    ahead = [place for place in free if place.on > who.today] or free
    refused = Counter(refusal(who, place, calendar.open_dates) for place in ahead)
    words = [words for words, _ in refused.most_common(1) if words]
    return " ".join(["No free place in these weeks is one that they can have.", *words]) + _closed(row, calendar)
