"""Places for everyone who is due, found together; nothing is booked. The number of queries is fixed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from programme.booking.numeric.calendar import Place
from programme.booking.numeric.due import Due
from programme.booking.numeric.places import blood_words, words_of_day
from programme.booking.queries.free import Booked
from programme.booking.queries.left import stands_against, why_left
from programme.booking.queries.placing import without
from programme.booking.queries.problem import Asked, Problem, read_problem
from programme.booking.solver import place_all
from programme.core.models import Site


@dataclass(frozen=True, slots=True)
class Proposed:
    """A place proposed for one person; chance is that of being over on the day, None where it is not known.

    blood: what comes first where the day to order its blood by has passed. old: the booking that would give way, None
    where they have none; trouble: why it cannot be kept, where it cannot.
    """

    patient_ref: str
    name: str
    place: Place
    chance: float | None
    late: bool
    far_late: bool
    reason: str
    blood: str = ""
    trouble: str = ""
    old: Booked | None = None
    fixed: bool = False


@dataclass(frozen=True, slots=True)
class LeftOver:
    """Somebody for whom no place was found, and which limit holds."""

    patient_ref: str
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class ForEveryone:
    """What was found for everyone due from `first` on."""

    first: date
    weeks: int
    placed: tuple[Proposed, ...]
    left: tuple[LeftOver, ...]
    proven_optimal: bool
    gap: float


def places_for_everyone(
    site: Site, *, first: date, weeks: int, now: datetime, settings: Mapping[str, float], asked: Asked | None = None
) -> ForEveryone:
    """Return a place for as many of those due in these weeks as can have one; bookings stay unless asked.

    Raises: ValueError where no week is asked for.
    """
    return solved(read_problem(site, first=first, weeks=weeks, now=now, settings=settings, asked=asked))


def solved(problem: Problem) -> ForEveryone:
    """Return the places found; the same problem gives the same answer."""
    found = place_all(problem.due, problem.room)
    placed = sorted(found.placed.items(), key=lambda one: (one[1].on, one[1].starts, one[1].chair_pk, one[0]))
    return ForEveryone(
        first=problem.first,
        weeks=problem.weeks,
        placed=tuple(_proposed(problem, ref, found.placed) for ref, place in placed if not problem.stays(ref, place)),
        left=tuple(
            LeftOver(one.key, problem.people[one.key].name, why_left(one, problem, found.placed))
            for one in problem.due
            if _is_left(problem, one, found.placed.get(one.key))
        ),
        proven_optimal=found.proven_optimal,
        gap=found.gap,
    )


def _is_left(problem: Problem, one: Due, place: Place | None) -> bool:
    """Whether somebody has no place, or not the one asked for, or should come earlier and stays where they are."""
    if place is None or problem.lost_fixed(one.key, place):
        return True
    return one.key not in problem.movers and problem.stays(one.key, place) and one.is_late(place.on)


def _proposed(problem: Problem, ref: str, placed: Mapping[str, Place]) -> Proposed:
    row, old, place = problem.people[ref], problem.old.get(ref), placed[ref]
    who = without(row.seeker, None if old is None else old.on)
    words = "; ".join(words_of_day(who, place.on, first=False)) or "no day is better known"
    return Proposed(
        patient_ref=ref,
        name=row.name,
        place=place,
        chance=who.chance.get(place.on),
        late=who.is_late(place.on),
        far_late=who.is_far_late(place.on),
        reason=f"{words[0].upper()}{words[1:]}.{_earlier_given(problem, ref, placed)}",
        trouble=problem.troubles[ref].why if ref in problem.troubles else "",
        blood=blood_words(who.blood_passed(place.on)),
        old=old,
        fixed=ref in problem.asked.fixed,
    )


def _earlier_given(problem: Problem, ref: str, placed: Mapping[str, Place]) -> str:
    """Say that a late person waits for somebody who would be late on that day, and from when; '' where nobody does."""
    mine, due = placed[ref], {one.key: one for one in problem.due}
    if not due[ref].is_late(mine.on):
        return ""
    earlier = [place for place in due[ref].places if place.on < mine.on]
    given = {
        there.on
        for key, there in placed.items()
        if there.on < mine.on and due[key].is_late(mine.on) and not due[key].is_late(there.on)
        and any(stands_against(there, place, problem) for place in earlier)
    }  # fmt: skip
    if not given:
        return ""
    return f" An earlier place, on {min(given):%a %-d %b}, goes to somebody who would be late on this day."
