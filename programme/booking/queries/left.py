"""Why somebody is left without a place: which limit holds."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date

from programme.booking.numeric.calendar import Place
from programme.booking.numeric.places import refusal
from programme.booking.queries.free import SiteCalendar
from programme.booking.queries.placing import ToPlace
from programme.booking.queries.problem import Problem
from programme.booking.solver import Due


def why_left(one: Due, problem: Problem, kept: Place | None, given: list[Place]) -> str:
    """Say which limit holds: what the person can do, the chairs, or the staff of a day."""
    calendar, trouble = problem.calendar, problem.troubles.get(one.key)
    if trouble:
        limit = why_left(one, replace(problem, troubles={}), kept, given)
        return f"Booked on {problem.old[one.key].on:%a %-d %b}, which cannot be kept: {trouble.why}. {limit}"
    if kept is not None:
        return f"No earlier place is left for them; they stay booked on {kept.on:%a %-d %b}, after the last safe day."
    if not one.places and one.key in problem.asked.fixed:
        return "The place they were to keep is not free for them any more."
    if not one.places:
        return _why_no_place(problem.people[one.key], calendar)
    days = sorted({place.on for place in one.places})
    full_staff = [on for on in days if on in calendar.room and calendar.room[on] - _on(given, on) < one.needs]
    what = "the staff of each of these days" if len(full_staff) == len(days) else "the chairs that are free"
    span = (
        f"{days[0]:%a %-d %b}"
        if len(days) == 1
        else f"{len(days)} days from {days[0]:%a %-d %b} to {days[-1]:%a %-d %b}"
    )
    return f"Their places, on {span}, go to others who would be more over; the limit is {what}."


def _why_no_place(row: ToPlace, calendar: SiteCalendar) -> str:
    """Why somebody has not one place: closed days, chairs and staff, or their own days, hours and sample window."""
    who = row.seeker
    days = [day for day in calendar.days if day.on >= max(who.earliest, who.today)]
    if not any(day.open for day in days):
        return "The unit is closed on every day of these weeks that is of use to them."
    free = calendar.places(since=max(who.earliest, who.today), minutes=row.minutes, needs=row.needs)
    if not free:
        return "No free place in these weeks is long enough for them, with staff, on a day that is of use to them."
    ahead = [place for place in free if place.on > who.today] or free
    said = Counter(refusal(who, place, calendar.open_dates) for place in ahead)
    words = [words for words, _ in said.most_common(1) if words]
    return " ".join(["No free place in these weeks is one that they can have.", *words])


def _on(given: list[Place], on: date) -> int:
    return sum(place.on == on for place in given)
