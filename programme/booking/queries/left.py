"""Why somebody is left without a place: which limit holds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from programme.booking.numeric.calendar import Place
from programme.booking.numeric.due import Due
from programme.booking.numeric.staff import Run
from programme.booking.queries.no_place import closed_words, why_no_place
from programme.booking.queries.problem import Problem


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
        return why_no_place(problem.people[one.key], problem.calendar)
    days = sorted({place.on for place in one.places})
    span = (
        f"{days[0]:%a %-d %b}"
        if len(days) == 1
        else f"{len(days)} days from {days[0]:%a %-d %b} to {days[-1]:%a %-d %b}"
    )
    limit = _limit(one, problem, placed)
    closed = closed_words(problem.people[one.key], problem.calendar)
    return f"Their places, on {span}, go to others{_more_over(one, problem, placed)}; the limit is {limit}.{closed}"


def _more_over(one: Due, problem: Problem, placed: Mapping[str, Place]) -> str:
    """What is so of everybody who has a place where this person could have one; '' where it is so of some only."""
    waited = one.waited_if_left
    takers = [
        other
        for other in problem.due
        if other.key in placed and any(stands_against(placed[other.key], place, problem) for place in one.places)
    ]
    if takers and all(other.waited_if_left > waited for other in takers):
        return ", each of whom would be more over by waiting"
    return ""


def stands_against(given: Place, place: Place, problem: Problem) -> bool:
    """Whether a place given to somebody holds the chair of another place, or staff at its time where they are few."""
    if given.on != place.on:
        return False
    same_time = given.starts < place.ends and place.starts < given.ends
    return not set(given.slots).isdisjoint(place.slots) or (same_time and given.on in problem.room)


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
