"""What there is to solve where everyone is placed at once: who, where, and what holds."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from programme.booking.models import BookingState, Proposal
from programme.booking.numeric.calendar import Place, slots_on
from programme.booking.numeric.due import Due
from programme.booking.numeric.places import FreePlace, points_against, refusal
from programme.booking.numeric.staff import Staffed
from programme.booking.queries.basis import accepted_chances, digests, flagged_people
from programme.booking.queries.chairs import Displaced, displaced
from programme.booking.queries.free import Booked, SiteCalendar, site_calendar
from programme.booking.queries.placing import ToPlace, every_place_for, is_due, people_of, without
from programme.booking.solver import MOVE_COST
from programme.core.models import Site

FLAGGED_WEIGHT = 2.0
"""An excess counts so much more with a brain, heart or lung-pressure flag. Chosen here; not from a source."""

LATE_DAYS = 21
"""Days after the last safe one that are still looked at: somebody late is better placed late than not at all."""

Key = tuple[int, date, int]
"""A place as it is asked for: chair, day and slot."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a coordinator asks to be different: who is left out, who keeps exactly this place, who may be moved."""

    moves: str = Proposal.Moves.NOBODY
    out: frozenset[str] = frozenset()
    fixed: Mapping[str, Key] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Problem:
    """What the solver is given, with the people and the calendar it was made from.

    calendar: without the bookings that may move. before: the staff of each day with these too.
    troubles: whose booking cannot be kept. It holds its chair until they have another, for nobody gives it up before.
    """

    first: date
    weeks: int
    calendar: SiteCalendar
    people: Mapping[str, ToPlace]
    old: Mapping[str, Booked]
    movers: frozenset[str]
    before: Mapping[date, Staffed]
    asked: Asked
    basis: Mapping[str, str]
    due: tuple[Due, ...] = ()
    troubles: Mapping[str, Displaced] = field(default_factory=dict)

    @property
    def room(self) -> dict[date, Staffed]:
        """The staff of the days on which they are limited, with all who have a place and are not movers."""
        return self.calendar.room

    def stays(self, ref: str, place: Place) -> bool:
        """Whether somebody with a place is proposed just that: nothing would change."""
        old = self.old.get(ref)
        return old is not None and (old.chair_pk, old.on, old.starts) == (place.chair_pk, place.on, place.starts)

    def until(self, ref: str) -> date:
        """The last day that is looked at for somebody."""
        row = self.people[ref]
        return max(row.due_by or self.calendar.last, row.seeker.today) + timedelta(days=LATE_DAYS)

    def lost_fixed(self, ref: str, place: Place | None) -> bool:
        """Whether somebody was to have one place and no other, and has it not."""
        fixed = self.asked.fixed.get(ref)
        return fixed is not None and (place is None or (place.chair_pk, place.on, place.slot) != fixed)


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
    troubles = _troubles(site, everyone, bookings, now)
    wanted = (set(due) | set(troubles)) - asked.out
    movers = movers_of(everyone, bookings, asked.moves) - wanted - asked.out
    people = {row.patient_ref: row for row in everyone if row.patient_ref in wanted | movers}
    troubles = {ref: why for ref, why in troubles.items() if ref in people}
    accepted, flagged = accepted_chances(site, first), flagged_people(site)
    problem = posed(
        whole, people, movers=frozenset(movers), asked=asked, accepted=accepted, flagged=flagged,
        usual=settings["accepted_chance"], troubles=troubles,
    )  # fmt: skip
    return replace(problem, weeks=weeks, basis=digests(whole, everyone, accepted, flagged, settings))


def posed(
    whole: SiteCalendar,
    people: Mapping[str, ToPlace],
    *,
    movers: frozenset[str],
    asked: Asked,
    accepted: Mapping[int, float],
    flagged: Collection[int],
    usual: float,
    troubles: Mapping[str, Displaced] | None = None,
) -> Problem:
    """Return the problem of these people in this calendar. usual: the accepted chance of who has none of their own.

    troubles: whose booking cannot be kept.
    """
    troubles = troubles or {}
    bookings = {row.pk: row for row in whole.bookings}
    old = {
        ref: bookings[row.next_booked.pk]
        for ref, row in people.items()
        if row.next_booked is not None and row.next_booked.pk in bookings
    }
    calendar = whole
    for ref, booking in old.items():
        calendar = calendar if ref in troubles else calendar.without(booking.pk)
    problem = Problem(whole.first, 0, calendar, people, old, movers, whole.room, asked, {}, troubles=troubles)
    dues = [_due(problem, row, accepted.get(row.pk, usual), row.pk in flagged) for _, row in sorted(people.items())]
    return replace(problem, due=tuple(dues))


def _troubles(
    site: Site, everyone: tuple[ToPlace, ...], bookings: Mapping[int, Booked], now: datetime
) -> dict[str, Displaced]:
    """Whose next booking cannot be kept, by reference; not where its start has passed already."""
    whys = {one.booking.pk: one for one in displaced(site, now.date()) if _is_ahead(one.booking, now)}
    return {
        row.patient_ref: whys[row.next_booked.pk]
        for row in everyone
        if row.known and not row.locked and not row.in_chair and row.next_booked is not None
        and row.next_booked.pk in whys and row.next_booked.pk in bookings
    }  # fmt: skip


def _is_ahead(booking: Booked, now: datetime) -> bool:
    return (booking.on, booking.starts) > (now.date(), now.time())


def movers_of(everyone: tuple[ToPlace, ...], bookings: Mapping[int, Booked], moves: str) -> set[str]:
    """Who has a place in these weeks, its start still to come, and may be given another."""
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
        and _is_ahead(bookings[row.next_booked.pk], row.seeker.now)
    }  # fmt: skip


def _due(problem: Problem, row: ToPlace, accepted: float, flagged: bool) -> Due:
    who, old = row.seeker, problem.old.get(row.patient_ref)
    one = Due(
        key=row.patient_ref,
        places=(),
        first=problem.calendar.first,
        last=problem.calendar.last,
        chance=who.chance,
        accepted=accepted,
        latest_safe=who.latest_safe,
        weight=FLAGGED_WEIGHT if flagged else 1.0,
        needs=row.needs,
        has=None if old is None or row.patient_ref in problem.troubles else place_of(old, problem.calendar),
        holds=None if old is None or row.patient_ref not in problem.troubles else place_of(old, problem.calendar),
    )
    places = places_within(problem, one)
    fixed = problem.asked.fixed.get(row.patient_ref)
    if fixed is not None:
        wanted = tuple(place for place in places if (place.chair_pk, place.on, place.slot) == fixed)
        places = wanted or tuple(filter(None, (one.has,)))  # whoever has a place stays where they are
    who = without(who, None if old is None else old.on)
    cost = {on: points_against(who, on) for on in {place.on for place in places}}
    if old is not None and one.has is None:  # nothing holds them to the day they know, but it is kept where it can be
        cost = {on: points + (0.0 if on == old.on else MOVE_COST) for on, points in cost.items()}
    return replace(one, places=places, cost=cost)


def places_within(problem: Problem, one: Due, *, on: date | None = None) -> tuple[Place, ...]:
    """Return the places that somebody can be proposed, of one day or of all; their own first, if they have one.

    Nobody who has a place that can be kept is moved to a later day after their last safe one, and nobody new comes to
    a time for which too many are booked.
    """
    row, has, old = problem.people[one.key], one.has, problem.old.get(one.key)
    until = problem.until(one.key)
    if on is not None and not row.seeker.earliest <= on <= until:
        found: tuple[FreePlace, ...] = ()
    else:
        giving_up = None if old is None else old.on
        row = replace(row, seeker=replace(row.seeker, series=None))  # whether a series goes on nobody proposes
        found = every_place_for(row, problem.calendar, giving_up=giving_up, on=on, until=until)
    free = [one for one in found if not _too_many(problem, one.place)]
    if has is None:
        return (*_may_stay(problem, row, old, on), *(one.place for one in free))
    others = tuple(one.place for one in free if one.place.key != has.key and (not one.late or one.place.on < has.on))
    return (has, *others)


def _too_many(problem: Problem, place: Place) -> bool:
    """Whether more are booked at some time of a place than staff can run."""
    staffed = problem.before.get(place.on)
    return staffed is not None and staffed.is_over(place.starts, place.ends)


def _may_stay(problem: Problem, row: ToPlace, old: Booked | None, on: date | None) -> tuple[Place, ...]:
    """The place of somebody at a time with too many for its staff only, of whom some can stay; else none."""
    if old is None or not problem.troubles[row.patient_ref].only_staff or on not in (None, old.on):
        return ()
    own = place_of(old, problem.calendar)
    said = refusal(without(row.seeker, old.on), own, problem.calendar.open_dates)
    return () if said else (own,)


def place_of(old: Booked, calendar: SiteCalendar) -> Place:
    """The place that a booking holds, with every slot of its chair that it runs into."""
    held = [
        row for row in slots_on(old.on, calendar.slots)
        if row.chair_pk == old.chair_pk and row.starts < old.ends and old.starts < row.ends
    ]  # fmt: skip
    slot = next((row.slot for row in held if row.starts == old.starts), held[0].slot if held else 0)
    return Place(old.chair_pk, old.chair, slot, old.starts, old.ends, old.on, tuple(row.slot for row in held))
