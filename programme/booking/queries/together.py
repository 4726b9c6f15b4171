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
from programme.booking.numeric.places import blood_words, points_against, refusal, words_of_day
from programme.booking.queries.chairs import Displaced, displaced
from programme.booking.queries.free import Booked, SiteCalendar, site_calendar
from programme.booking.queries.placing import ToPlace, every_place_for, is_due, people_of, without
from programme.booking.solver import MOVE_COST, Due, place_all
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
    troubles: whose booking cannot be kept. It holds its chair until they have another, for nobody gives it up before.
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
    troubles: Mapping[str, Displaced] = field(default_factory=dict)

    @property
    def room(self) -> dict[date, int]:
        """How many more the staff of a day can run. A day booked beyond its staff takes nobody new: of those who can
        have another place as many may stay as its staff allow."""
        room = {on: left for on, left in self.calendar.room.items() if on not in self.overfull}
        shaky = [(self.old[ref].on, self.people[ref].needs) for ref in self.troubles if ref in self.old]
        for on in self.overfull & {on for on, _ in shaky}:
            day, running = self.calendar.day(on), self.calendar.running.get(on, 0)
            others = running - sum(needs for one, needs in shaky if one == on)
            room[on] = max(0, (0 if day is None or day.most is None else day.most) - others)
        return room


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
    troubles = _troubles(site, everyone, bookings, now)
    wanted = (set(due) | set(troubles)) - asked.out
    movers = movers_of(everyone, bookings, asked.moves) - wanted - asked.out
    people = {row.patient_ref: row for row in everyone if row.patient_ref in wanted | movers}
    troubles = {ref: why for ref, why in troubles.items() if ref in people}
    accepted, flagged = _accepted(site, first), _flagged(site)
    problem = posed(
        whole, people, movers=frozenset(movers), asked=asked, accepted=accepted, flagged=flagged,
        usual=settings["accepted_chance"], troubles=troubles,
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
    running = whole.running
    overfull = frozenset(d.on for d in whole.days if d.most is not None and running.get(d.on, 0) > d.most)
    problem = Problem(whole.first, 0, calendar, people, old, movers, overfull, asked, {}, troubles=troubles)
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
            who.blood and (who.blood.has_antibody, who.blood.is_rare),
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


def _troubles(
    site: Site, everyone: tuple[ToPlace, ...], bookings: Mapping[int, Booked], now: datetime
) -> dict[str, Displaced]:
    """Whose next booking cannot be kept, by reference; not where its start has passed already."""
    whys = {
        one.booking.pk: one
        for one in displaced(site, now.date())
        if (one.booking.on, one.booking.starts) > (now.date(), now.time())
    }
    return {
        row.patient_ref: whys[row.next_booked.pk]
        for row in everyone
        if row.known and not row.locked and not row.in_chair and row.next_booked is not None
        and row.next_booked.pk in whys and row.next_booked.pk in bookings
    }  # fmt: skip


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
        has=None if old is None or row.patient_ref in problem.troubles else _place_of(old, problem.calendar),
    )
    places = places_within(problem, one)
    fixed = problem.asked.fixed.get(row.patient_ref)
    if fixed is not None:
        places = tuple(place for place in places if (place.chair_pk, place.on, place.slot) == fixed)
        one = one if places else replace(one, has=None)
    who = without(who, None if old is None else old.on)
    cost = {on: points_against(who, on) for on in {place.on for place in places}}
    if old is not None and one.has is None:  # nothing holds them to the day they know, but it is kept where it can be
        cost = {on: points + (0.0 if on == old.on else MOVE_COST) for on, points in cost.items()}
    return replace(one, places=places, cost=cost)


def places_within(problem: Problem, one: Due, *, on: date | None = None) -> tuple[Place, ...]:
    """Return the places that somebody can be proposed, of one day or of all; their own first, if they have one.

    Nobody who has a place that can be kept is moved to a later day after their last safe one.
    """
    row, has, old = problem.people[one.key], one.has, problem.old.get(one.key)
    until = max(row.due_by or problem.calendar.last, row.seeker.today) + timedelta(days=LATE_DAYS)
    found = every_place_for(row, problem.calendar, giving_up=None if old is None else old.on, on=on)
    free = [one for one in found if one.place.on <= until and one.place.on not in problem.overfull]
    if has is None:
        return (*_may_stay(problem, row, old, on), *(one.place for one in free))
    others = tuple(one.place for one in free if one.place.key != has.key and (not one.late or one.place.on < has.on))
    return (has, *others)


def _may_stay(problem: Problem, row: ToPlace, old: Booked | None, on: date | None) -> tuple[Place, ...]:
    """The place of somebody on a day with too many for its staff only, of whom some can stay; else none."""
    if old is None or not problem.troubles[row.patient_ref].only_staff or on not in (None, old.on):
        return ()
    own = _place_of(old, problem.calendar)
    said = refusal(without(row.seeker, old.on), own, problem.calendar.open_dates)
    return () if said else (own,)


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
    row, old = problem.people[ref], problem.old.get(ref)
    who = without(row.seeker, None if old is None else old.on)
    words = "; ".join(words_of_day(who, place.on, first=False)) or "no day is better known"
    return Proposed(
        patient_ref=ref,
        name=row.name,
        place=place,
        chance=who.chance.get(place.on),
        late=who.is_late(place.on),
        far_late=who.is_far_late(place.on),
        reason=f"{words[0].upper()}{words[1:]}.",
        trouble=problem.troubles[ref].why if ref in problem.troubles else "",
        blood=blood_words(who.blood_passed(place.on)),
        old=old,
        fixed=ref in problem.asked.fixed,
    )


def _why_left(one: Due, problem: Problem, kept: Place | None, given: list[Place]) -> str:
    """Say which limit holds: what the person can do, the chairs, or the staff of a day."""
    calendar, trouble = problem.calendar, problem.troubles.get(one.key)
    if trouble:
        limit = _why_left(one, replace(problem, troubles={}), kept, given)
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
