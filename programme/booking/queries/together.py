"""Places for everyone who is due, found together; nothing is booked. The number of queries is fixed."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from patients.models import Goals, Patient
from programme.booking.models import BookingState, Proposal
from programme.booking.numeric.calendar import Place, slots_on
from programme.booking.numeric.places import refusal, unsuited, words_of_day
from programme.booking.queries.free import Booked, SiteCalendar, site_calendar
from programme.booking.queries.placing import ToPlace, every_place_for, is_due, people_of
from programme.booking.solver import Due, place_all
from programme.core.models import Site

FLAGGED_WEIGHT = 2.0
"""An excess counts so much more with a brain, heart or lung-pressure flag. Chosen here; not from a source."""

LATE_DAYS = 21
"""Days after the last safe one that are still looked at: somebody late is better placed late than not at all."""

Key = tuple[int, date, int]
"""A place as it is asked for: chair, day and slot."""


@dataclass(frozen=True, slots=True)
class Proposed:
    """A place proposed for one person; chance is that of being over on the day, None where it is not known.

    old: the booking that would give way, None where they have none.
    """

    patient_ref: str
    name: str
    place: Place
    chance: float | None
    late: bool
    reason: str
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


@dataclass(frozen=True, slots=True)
class Asked:
    """What a coordinator asks to be different: who is left out, who keeps exactly this place, who may be moved."""

    moves: str = Proposal.Moves.NOBODY
    out: frozenset[str] = frozenset()
    fixed: Mapping[str, Key] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Problem:
    """What the solver is given, with the people and the calendar it was made from.

    calendar: without the bookings that may move. overfull: days on which more are booked than staff allow now.
    """

    first: date
    weeks: int
    calendar: SiteCalendar
    people: Mapping[str, ToPlace]
    old: Mapping[str, Booked]
    movers: frozenset[str]
    overfull: frozenset[date]
    asked: Asked
    basis: Mapping[str, str]
    due: tuple[Due, ...] = ()

    @property
    def room(self) -> dict[date, int]:
        """How many more the staff of a day can run. A day booked beyond its staff takes nobody new; who is there may
        stay."""
        return {on: room for on, room in self.calendar.room.items() if on not in self.overfull}


def places_for_everyone(
    site: Site, *, first: date, weeks: int, now: datetime, settings: Mapping[str, float], asked: Asked | None = None
) -> ForEveryone:
    """Return a place for as many of those due in these weeks as can have one; bookings stay unless asked.

    Raises: ValueError where no week is asked for.
    """
    return solved(read_problem(site, first=first, weeks=weeks, now=now, settings=settings, asked=asked))


def read_problem(
    site: Site, *, first: date, weeks: int, now: datetime, settings: Mapping[str, float], asked: Asked | None = None
) -> Problem:
    """Return what there is to solve. Raises: ValueError where no week is asked for."""
    if weeks < 1:
        raise ValueError(f"weeks is {weeks}; allowed is 1 or more")
    asked = asked or Asked()
    whole = site_calendar(site, first, first + timedelta(days=7 * weeks - 1))
    everyone = people_of(site, now, settings)
    bookings = {row.pk: row for row in whole.bookings}
    due = {row.patient_ref: row for row in everyone if is_due(row, whole.last)}
    movers = movers_of(everyone, bookings, asked.moves) - set(due) - asked.out
    people = {
        row.patient_ref: row
        for row in everyone
        if (row.patient_ref in due and row.patient_ref not in asked.out) or row.patient_ref in movers
    }
    accepted, flagged = _accepted(site, first), _flagged(site)
    problem = posed(
        whole, people, movers=frozenset(movers), asked=asked, accepted=accepted, flagged=flagged,
        usual=settings["accepted_chance"],
    )  # fmt: skip
    return replace(problem, weeks=weeks, basis=_basis(whole, everyone, accepted, flagged, settings))


def posed(
    whole: SiteCalendar,
    people: Mapping[str, ToPlace],
    *,
    movers: frozenset[str],
    asked: Asked,
    accepted: Mapping[int, float],
    flagged: Collection[int],
    usual: float,
) -> Problem:
    """Return the problem of these people in this calendar. usual: the accepted chance of who has none of their own."""
    bookings = {row.pk: row for row in whole.bookings}
    old = {
        ref: bookings[row.next_booked.pk]
        for ref, row in people.items()
        if row.next_booked is not None and row.next_booked.pk in bookings
    }
    calendar = whole
    for booking in old.values():
        calendar = calendar.without(booking.pk)
    running = whole.running
    overfull = frozenset(d.on for d in whole.days if d.most is not None and running.get(d.on, 0) > d.most)
    problem = Problem(whole.first, 0, calendar, people, old, movers, overfull, asked, {})
    dues = [_due(problem, row, accepted.get(row.pk, usual), row.pk in flagged) for _, row in sorted(people.items())]
    return replace(problem, due=tuple(dues))


def solved(problem: Problem) -> ForEveryone:
    """Return the places found; the same problem gives the same answer."""
    found = place_all(problem.due, problem.room)
    placed = sorted(found.placed.items(), key=lambda one: (one[1].on, one[1].starts, one[1].chair_pk, one[0]))
    given = list(found.placed.values())
    return ForEveryone(
        first=problem.first,
        weeks=problem.weeks,
        placed=tuple(_proposed(problem, ref, place) for ref, place in placed if not _stays(problem, ref, place)),
        left=tuple(
            LeftOver(one.key, problem.people[one.key].name, _why_left(one, problem, found.placed.get(one.key), given))
            for one in problem.due
            if one.key not in found.placed or _keeps_late(problem, one, found.placed[one.key])
        ),
        proven_optimal=found.proven_optimal,
        gap=found.gap,
    )


def basis_today(site: Site, *, first: date, weeks: int, now: datetime, settings: Mapping[str, float]) -> dict[str, str]:
    """Return digests of what a proposal for these weeks would rest on now, without looking for places."""
    whole = site_calendar(site, first, first + timedelta(days=7 * weeks - 1))
    return _basis(whole, people_of(site, now, settings), _accepted(site, first), _flagged(site), settings)


def changed_since(basis: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Return in words what a proposal was made from and is different now; empty where nothing is."""
    if basis.get("first") != now.get("first"):
        return ("the day",)
    return tuple(words for kind, words in BASIS_WORDS.items() if basis.get(kind) != now.get(kind))


BASIS_WORDS = {
    "forecasts": "a forecast, a plan or what somebody wishes",
    "bookings": "a booking",
    "calendar": "chairs, staff or open days",
    "settings": "a setting of the unit",
}


def _basis(
    calendar: SiteCalendar,
    everyone: tuple[ToPlace, ...],
    accepted: Mapping[int, float],
    flagged: Collection[int],
    settings: Mapping[str, float],
) -> dict[str, str]:
    """Digests of what a proposal rests on, by kind."""
    forecasts = []
    for row in everyone:
        who = row.seeker
        forecasts.append((
            row.pk, row.made_from, row.units, row.needs, row.locked, row.in_chair, accepted.get(row.pk),
            row.pk in flagged, who.best, who.latest_safe, sorted(who.weekdays), who.not_before, who.end_by, who.away,
            who.samples, row.missed_lately,
        ))  # fmt: skip
    return {
        "first": calendar.first.isoformat(),
        "forecasts": _digest(forecasts),
        "bookings": _digest([(row.pk, row.version, row.on, row.state) for row in calendar.bookings]),
        "calendar": _digest((calendar.days, calendar.chairs, calendar.slots, calendar.uses)),
        "settings": _digest(sorted(settings.items())),
    }


def _digest(value: object) -> str:
    return hashlib.sha256(repr(value).encode()).hexdigest()


def movers_of(everyone: tuple[ToPlace, ...], bookings: Mapping[int, Booked], moves: str) -> set[str]:
    """Who has a place in these weeks and may be given another."""
    states = {
        Proposal.Moves.NOBODY: (),
        Proposal.Moves.UNCONFIRMED: (BookingState.BOOKED,),
        Proposal.Moves.ANYBODY: (BookingState.BOOKED, BookingState.CONFIRMED),
    }[Proposal.Moves(moves)]
    return {
        row.patient_ref
        for row in everyone
        if row.known and not row.locked and not row.in_chair and row.next_booked is not None
        and row.next_booked.pk in bookings and bookings[row.next_booked.pk].state in states
    }  # fmt: skip


def _due(problem: Problem, row: ToPlace, accepted: float, flagged: bool) -> Due:
    who, old = row.seeker, problem.old.get(row.patient_ref)
    one = Due(
        key=row.patient_ref,
        places=(),
        chance=who.chance,
        accepted=accepted,
        latest_safe=who.latest_safe,
        weight=FLAGGED_WEIGHT if flagged else 1.0,
        needs=row.needs,
        has=None if old is None else _place_of(old, problem.calendar),
    )
    places = places_within(problem, one)
    fixed = problem.asked.fixed.get(row.patient_ref)
    if fixed is not None:
        places = tuple(place for place in places if (place.chair_pk, place.on, place.slot) == fixed)
        one = one if places else replace(one, has=None)
    return replace(one, places=places, cost={place.on: unsuited(who, place.on) for place in places})


def places_within(problem: Problem, one: Due, *, on: date | None = None) -> tuple[Place, ...]:
    """Return the places that somebody can be proposed, of one day or of all; their own first, if they have one.

    Nobody who has a place is moved to a later day after their last safe one.
    """
    row, has = problem.people[one.key], one.has
    until = max(row.due_by or problem.calendar.last, row.seeker.today) + timedelta(days=LATE_DAYS)
    found = every_place_for(row, problem.calendar, giving_up=None if has is None else has.on, on=on)
    free = tuple((place, late) for place, late in found if place.on <= until and place.on not in problem.overfull)
    if has is None:
        return tuple(place for place, _ in free)
    others = tuple(p for p, late in free if p.key != has.key and (not late or p.on < has.on))
    return (has, *others)


def _keeps_late(problem: Problem, one: Due, place: Place) -> bool:
    """Whether somebody who should come earlier stays where they are, too late."""
    return one.key not in problem.movers and _stays(problem, one.key, place) and one.is_late(place.on)


def _place_of(old: Booked, calendar: SiteCalendar) -> Place:
    """The place that a booking holds, with every slot of its chair that it runs into."""
    held = [
        row for row in slots_on(old.on, calendar.slots)
        if row.chair_pk == old.chair_pk and row.starts < old.ends and old.starts < row.ends
    ]  # fmt: skip
    slot = next((row.slot for row in held if row.starts == old.starts), held[0].slot if held else 0)
    return Place(old.chair_pk, old.chair, slot, old.starts, old.ends, old.on, tuple(row.slot for row in held))


def _stays(problem: Problem, ref: str, place: Place) -> bool:
    """Whether somebody with a place is proposed just that: nothing would change."""
    old = problem.old.get(ref)
    return old is not None and (old.chair_pk, old.on, old.starts) == (place.chair_pk, place.on, place.starts)


def _accepted(site: Site, on: date) -> dict[int, float]:
    """The accepted chance of each person, by key: of the newest goals that have begun."""
    rows = Goals.objects.filter(patient__site=site, since__lte=on).order_by("since", "pk")
    return dict(rows.values_list("patient_id", "accepted_chance"))


def _flagged(site: Site) -> frozenset[int]:
    return frozenset(row.pk for row in Patient.objects.active().of_site(site) if row.is_flagged)


def _proposed(problem: Problem, ref: str, place: Place) -> Proposed:
    row = problem.people[ref]
    who = row.seeker
    words = "; ".join(words_of_day(who, place.on, first=False)) or "no day is better known"
    return Proposed(
        patient_ref=ref,
        name=row.name,
        place=place,
        chance=who.chance.get(place.on),
        late=who.is_late(place.on),
        reason=f"{words[0].upper()}{words[1:]}.",
        old=problem.old.get(ref),
        fixed=ref in problem.asked.fixed,
    )


def _why_left(one: Due, problem: Problem, kept: Place | None, given: list[Place]) -> str:
    """Say which limit holds: what the person can do, the chairs, or the staff of a day."""
    calendar = problem.calendar
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
