"""Places for everyone who is due, found together; nothing is booked. The number of queries is fixed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from patients.models import Goals, Patient
from programme.booking.numeric.calendar import Place
from programme.booking.numeric.places import unsuited, words_of_day
from programme.booking.queries.free import SiteCalendar, site_calendar
from programme.booking.queries.placing import ToPlace, every_place_for, everyone_to_place
from programme.booking.solver import Due, place_all
from programme.core.models import Site

FLAGGED_WEIGHT = 2.0
"""An excess counts so much more with a brain, heart or lung-pressure flag. Chosen here; not from a source."""

LATE_DAYS = 21
"""Days after the last safe one that are still looked at: somebody late is better placed late than not at all."""


@dataclass(frozen=True, slots=True)
class Proposed:
    """A place proposed for one person; chance is that of being over on the day, None where it is not known."""

    patient_ref: str
    name: str
    place: Place
    chance: float | None
    late: bool
    reason: str


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
    site: Site, *, first: date, weeks: int, now: datetime, settings: Mapping[str, float]
) -> ForEveryone:
    """Return a place for as many of those due in these weeks as can have one; bookings that stand stay.

    Raises: ValueError where no week is asked for.
    """
    if weeks < 1:
        raise ValueError(f"weeks is {weeks}; allowed is 1 or more")
    calendar = site_calendar(site, first, first + timedelta(days=7 * weeks - 1))
    people = {row.patient_ref: row for row in everyone_to_place(calendar, site, now, settings)}
    accepted, flagged = _accepted(site, first), _flagged(site)
    due = [_due(row, calendar, accepted, flagged, settings) for row in people.values()]
    found = place_all(due, calendar.room)
    placed = sorted(found.placed.items(), key=lambda one: (one[1].on, one[1].starts, one[1].chair_pk, one[0]))
    return ForEveryone(
        first=first,
        weeks=weeks,
        placed=tuple(_proposed(people[ref], place) for ref, place in placed),
        left=tuple(
            LeftOver(one.key, people[one.key].name, _why_left(one, calendar, list(found.placed.values())))
            for one in due
            if one.key not in found.placed
        ),
        proven_optimal=found.proven_optimal,
        gap=found.gap,
    )


def _due(
    row: ToPlace,
    calendar: SiteCalendar,
    accepted: Mapping[int, float],
    flagged: frozenset[int],
    settings: Mapping[str, float],
) -> Due:
    who = row.seeker
    until = max(row.due_by or calendar.last, who.today) + timedelta(days=LATE_DAYS)
    places = tuple(place for place, _ in every_place_for(row, calendar) if place.on <= until)
    return Due(
        key=row.patient_ref,
        places=places,
        chance=who.chance,
        accepted=accepted.get(row.pk, settings["accepted_chance"]),
        latest_safe=who.latest_safe,
        weight=FLAGGED_WEIGHT if row.pk in flagged else 1.0,
        cost={place.on: unsuited(who, place.on) for place in places},
        needs=row.needs,
    )


def _accepted(site: Site, on: date) -> dict[int, float]:
    """The accepted chance of each person, by key: of the newest goals that have begun."""
    rows = Goals.objects.filter(patient__site=site, since__lte=on).order_by("since", "pk")
    return dict(rows.values_list("patient_id", "accepted_chance"))


def _flagged(site: Site) -> frozenset[int]:
    return frozenset(row.pk for row in Patient.objects.active().of_site(site) if row.is_flagged)


def _proposed(row: ToPlace, place: Place) -> Proposed:
    who = row.seeker
    words = "; ".join(words_of_day(who, place.on, first=False)) or "no day is better known"
    return Proposed(
        patient_ref=row.patient_ref,
        name=row.name,
        place=place,
        chance=who.chance.get(place.on),
        late=who.is_late(place.on),
        reason=f"{words[0].upper()}{words[1:]}.",
    )


def _why_left(one: Due, calendar: SiteCalendar, given: list[Place]) -> str:
    """Say which limit holds: what the person can do, the chairs, or the staff of a day."""
    if not one.places:
        return "No free place in these weeks lies on a day and at a time that they can have."
    days = sorted({place.on for place in one.places})
    full_staff = [on for on in days if on in calendar.room and calendar.room[on] - _on(given, on) < one.needs]
    what = "the staff of each of these days" if len(full_staff) == len(days) else "the chairs that are free"
    span = (
        f"{days[0]:%a %-d %b}"
        if len(days) == 1
        else f"{len(days)} days from {days[0]:%a %-d %b} to {days[-1]:%a %-d %b}"
    )
    return f"Their places, on {span}, go to others who would be more over; the limit is {what}."


def _on(given: list[Place], on: date) -> int:
    return sum(place.on == on for place in given)
