"""What one more start on a day would buy for those who are left or late: solved again, a day at a time."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date

from programme.booking.numeric.calendar import slots_on
from programme.booking.numeric.due import Due
from programme.booking.queries.free import SiteCalendar
from programme.booking.queries.problem import Problem, places_within
from programme.booking.queries.together import ForEveryone
from programme.booking.solver import Short, short_of

MOST_TRIED, LEAST_TRIED, MOST_SAID = 12, 2, 4
"""Days looked at, by how many people they are of use to, and how many are said. Chosen here; not from a source."""
CHOICES_TRIED = 100_000
"""Choices, of a person and a place, in all that is solved again: a unit with many gets fewer days, not a longer wait.
By their number and not by the clock, so that the same input gives the same answer."""


@dataclass(frozen=True, slots=True)
class OneMore:
    """One more exchange at once on a day. chair: it takes one more chair too, not only staff.

    placed: so many fewer are left; safe: so many fewer are beyond their window, apart from these.
    """

    on: date
    chair: bool
    placed: int
    safe: int

    @property
    def words(self) -> str:
        """'Staff for one more exchange at once on Tue 8 Dec would place 2 of them.'"""
        what = "One more chair, and staff for it" if self.chair else "Staff for one more exchange at once"
        gains = []
        if self.placed > 0:
            gains.append(f"place {self.placed} of them")
        if self.safe > 0:
            gains.append(f"bring {self.safe} more inside the last safe day")
        return f"{what}, on {self.on:%a %-d %b}, would {' and '.join(gains)}."


def one_more_start(problem: Problem, found: ForEveryone) -> tuple[OneMore, ...]:
    """Return the days on which one more start helps most, the best first; the same problem gives the same answer.

    As many days are tried as `days_tried` says, those that the most of the left and late people could use. Only what is
    proven on both sides is said.
    """
    wanting = {row.patient_ref for row in found.left} | {row.patient_ref for row in found.placed if row.late}
    if not wanting:
        return ()
    before = short_of(problem.due, problem.room)
    if before is None:
        return ()
    days = _days_for(problem, wanting)[: days_tried(sum(len(one.places) for one in problem.due))]
    said = [more for on in days for more in _tried(problem, on, before)]
    said.sort(key=lambda row: (-row.placed, -row.safe, row.on))
    return tuple(said[:MOST_SAID])


def days_tried(choices: int) -> int:
    """Return for how many days a problem of so many choices is solved again."""
    return max(LEAST_TRIED, min(MOST_TRIED, CHOICES_TRIED // max(choices, 1)))


def _days_for(problem: Problem, wanting: set[str]) -> list[date]:
    """The open days that are of use to the most people, most first."""
    counted: Counter[date] = Counter()
    for ref in wanting:
        who = problem.people[ref].seeker
        for day in problem.calendar.days:
            safe = who.latest_safe is None or day.on <= who.latest_safe
            if day.open and day.on >= who.today and who.earliest <= day.on:
                counted[day.on] += 2 if safe else 1
    return sorted(counted, key=lambda on: (-counted[on], on))


def _tried(problem: Problem, on: date, before: Short) -> list[OneMore]:
    """Try staff alone, and a chair with it only where that does not help."""
    for chair in (False, True):
        calendar = with_one_more(problem.calendar, on, chair=chair)
        if calendar is None:
            continue
        more = replace(problem, calendar=calendar)
        people = tuple(_with_more(more, one, on) for one in problem.due)
        if people == problem.due and more.room == problem.room:
            continue
        after = short_of(people, more.room)
        if after is None or after >= before:
            continue
        placed = before.left - after.left
        safe = before.beyond - after.beyond - max(0, placed)  # who was left is said as placed
        if placed > 0 or safe > 0:
            return [OneMore(on, chair, placed, safe)]
    return []


def with_one_more(calendar: SiteCalendar, on: date, *, chair: bool) -> SiteCalendar | None:
    """The calendar as if on one open day one more exchange could run: by staff, or at one more chair as well.

    The chair more has the first start that any chair has that day. None where the day has no start at all.
    """
    more = tuple(
        replace(day, most=day.most + 1) if day.on == on and day.most is not None else day for day in calendar.days
    )
    if not chair:
        return replace(calendar, days=more)
    rules = slots_on(on, calendar.slots)
    if not rules:
        return None
    first = min(rules, key=lambda row: (row.starts, row.chair_pk, row.slot))
    only = replace(first.dates, since=on, until=on)
    extra = replace(first, chair_pk=0, chair_name="one more chair", slot=1, dates=only, chair_dates=only)
    return replace(calendar, days=more, slots=(*calendar.slots, extra))


def _with_more(problem: Problem, one: Due, on: date) -> Due:
    """The same person with the places that the day now has for them."""
    if one.key in problem.asked.fixed:
        return one
    known = {place.key for place in one.places}
    more = tuple(place for place in places_within(problem, one, on=on) if place.key not in known)
    return replace(one, places=(*one.places, *more)) if more else one
