"""Which days the unit is open, and which places (chair, day, slot) are still free.

Everything here is dates and times as the unit's own clock shows them; nothing knows of people or rows.
"""

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import groupby

from programme.booking.numeric.staff import Run, Staffed

NEVER_OPEN = "not open on"
"""How the reason begins why a day is closed by its weekday alone."""

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True)
class Dates:
    """From `since` to `until` (None: no end), on one weekday (0 Monday to 6 Sunday; None: every day)."""

    since: date
    until: date | None = None
    weekday: int | None = None

    def hold(self, on: date) -> bool:
        """Whether this holds on a day."""
        if self.weekday is not None and self.weekday != on.weekday():
            return False
        return self.since <= on and (self.until is None or on <= self.until)


@dataclass(frozen=True, slots=True)
class Opening:
    """Open between these times on these dates."""

    dates: Dates
    opens: time
    closes: time


@dataclass(frozen=True, slots=True)
class Closed:
    """An exception of one day: closed, closing early (`closes`), or a bank holiday that is worked (`works`)."""

    on: date
    words: str
    closes: time | None = None
    works: bool = False


@dataclass(frozen=True, slots=True)
class Staff:
    """At most so many exchanges at once on each of these dates."""

    dates: Dates
    most: int
    words: str = ""


@dataclass(frozen=True, slots=True)
class SlotRule:
    """A start at a chair. chair_dates: as long as the chair is there; dates: as long as the slot is."""

    chair_pk: int
    chair_name: str
    slot: int
    starts: time
    ends: time
    dates: Dates
    chair_dates: Dates


@dataclass(frozen=True, slots=True)
class Use:
    """A chair is used for something else on these dates: all day, or from an hour to before another."""

    chair_pk: int
    dates: Dates
    words: str
    starts: time = time.min
    ends: time = time.max

    def takes(self, chair_pk: int, on: date, starts: time, ends: time) -> bool:
        """Whether it has a chair at some moment from a start to before an end."""
        return self.chair_pk == chair_pk and self.dates.hold(on) and self.starts < ends and starts < self.ends

    @property
    def said(self) -> str:
        """When, where it is not all day, and what for: '08:00 to 12:00, top-ups'. A narrow column cuts the words."""
        whole = (self.starts, self.ends) == (time.min, time.max)
        return self.words if whole else f"{self.starts:%H:%M} to {self.ends:%H:%M}, {self.words}"


@dataclass(frozen=True, slots=True)
class Day:
    """A day of the unit. why: the reason it is closed, or what is unlike other days; most: exchanges at once."""

    on: date
    open: bool
    why: str = ""
    opens: time | None = None
    closes: time | None = None
    most: int | None = None
    staff_words: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """A chair from a start on, on a day. holds: all slots of the chair that are used up by it."""

    chair_pk: int
    chair_name: str
    slot: int
    starts: time
    ends: time
    on: date
    holds: tuple[int, ...] = ()

    @property
    def key(self) -> tuple[date, int, int]:
        """Day, chair and slot: what makes a place this place."""
        return (self.on, self.chair_pk, self.slot)

    @property
    def slots(self) -> tuple[tuple[date, int, int], ...]:
        """Every slot that it takes up: day, chair, number."""
        return tuple((self.on, self.chair_pk, slot) for slot in self.holds or (self.slot,))

    def run(self, needs: int = 1) -> Run:
        """What it is to the staff of its day."""
        return Run(self.starts, self.ends, needs)


Taken = tuple[int, date, int]
"""Chair, day and slot."""


def minutes_needed(units: int, *, minutes_a_unit: float, hours_rest: float) -> int:
    """Return how long a session of `units` red cell units has a chair: exchange, then the rest after the last unit.

    Common practice (35 to 60 min a unit by hand, an hour of rest); both figures are settings of the site.
    Raises ValueError for a negative number of units.
    """
    if units < 0:
        raise ValueError(f"units is {units}; allowed are whole numbers from 0.")
    return round(units * minutes_a_unit + 60.0 * hours_rest)


def days(
    first: date,
    last: date,
    *,
    opening: Iterable[Opening],
    closed: Iterable[Closed] = (),
    holidays: Mapping[date, str] | None = None,
    staff: Iterable[Staff] = (),
) -> tuple[Day, ...]:
    """Return every day from first to last, open or closed with the reason.

    An entry for the day itself goes before the weekday, and the weekday before a bank holiday. Where several opening
    hours hold, the unit is open from the earliest to the latest of them; of several staff limits the smallest counts.
    Raises ValueError where last is before first.
    """
    if last < first:
        raise ValueError(f"The last day {last} is before the first, {first}.")
    rules, limits, named = tuple(opening), tuple(staff), holidays or {}
    of_day = {row.on: row for row in closed}
    every = (first + timedelta(days=step) for step in range((last - first).days + 1))
    return tuple(_day(on, rules, of_day.get(on), named.get(on), limits) for on in every)


def _day(
    on: date, opening: tuple[Opening, ...], closed: Closed | None, holiday: str | None, staff: tuple[Staff, ...]
) -> Day:
    if closed is not None and not closed.works and closed.closes is None:
        return Day(on, False, closed.words)
    hours = [row for row in opening if row.dates.hold(on)]
    if not hours:
        return Day(on, False, f"{NEVER_OPEN} {WEEKDAYS[on.weekday()]}s")
    if holiday is not None and closed is None:
        return Day(on, False, f"bank holiday: {holiday}")
    opens, closes = min(row.opens for row in hours), max(row.closes for row in hours)
    why = ""
    if closed is not None:
        why = closed.words
        if closed.closes is not None:
            closes = min(closes, closed.closes)
            why = f"closes {closes:%H:%M}, {closed.words}"
    if closes <= opens:
        return Day(on, False, why)
    limits = [row for row in staff if row.dates.hold(on)]
    if not limits:
        return Day(on, True, why, opens, closes)
    least = min(limits, key=lambda row: row.most)
    return Day(on, True, why, opens, closes, least.most, least.words)


def free_places(
    days: Iterable[Day],
    *,
    slots: Iterable[SlotRule],
    uses: Iterable[Use] = (),
    taken: Set[Taken] = frozenset(),
    room: Mapping[date, Staffed] | None = None,
    minutes: int = 0,
    needs: int = 1,
) -> tuple[Place, ...]:
    """Return the places that somebody can still have, by day, chair (in the order of `slots`) and start.

    taken: slots that are held. room: the staff of the days on which they are limited, with what is booked.
    minutes: how long the person needs the chair; it is theirs at least to the end of the slot. A session that runs
    into a later slot of the chair holds that too, and is possible only if it is free and the unit still open.
    needs: how many of the exchanges at once this one counts for (2 for somebody who needs two nurses).
    """
    rules, others, limited = tuple(slots), tuple(uses), room or {}
    found: list[Place] = []
    for day in days:
        if not day.open:
            continue
        staffed = limited.get(day.on)
        busy = [row for row in others if row.dates.hold(day.on)]
        for _, rows in groupby(slots_on(day.on, rules), key=lambda row: row.chair_pk):
            found += [
                place
                for place in _places(day, tuple(rows), taken, minutes)
                if not any(row.takes(place.chair_pk, day.on, place.starts, place.ends) for row in busy)
                and (staffed is None or staffed.has_room(place.run(needs)))
            ]
    return tuple(found)


def staff_of(days: Iterable[Day], runs: Mapping[date, Iterable[Run]]) -> dict[date, Staffed]:
    """Return the staff of each day on which they are limited, with the exchanges that are booked on it."""
    return {day.on: Staffed(day.most, tuple(runs.get(day.on, ()))) for day in days if day.most is not None}


def fit_together(places: Iterable[Place], staffed: Staffed | None) -> int:
    """Return how many of these free places of one day can be taken beside one another, each counting for one.

    Taken in the order of their ends, which leaves the most room for the next; staffed: None where staff are no limit.
    """
    held, count = set[tuple[date, int, int]](), 0
    for place in sorted(places, key=lambda one: (one.ends, one.starts, one.chair_pk)):
        if not held.isdisjoint(place.slots) or (staffed is not None and not staffed.has_room(place.run())):
            continue
        held.update(place.slots)
        count += 1
        staffed = None if staffed is None else staffed.beside(place.run())
    return count


def slots_on(on: date, slots: Iterable[SlotRule]) -> tuple[SlotRule, ...]:
    """Return the slots that there are on a day, in the order given."""
    return tuple(row for row in slots if row.dates.hold(on) and row.chair_dates.hold(on))


def slots_covered(on: date, slots: Iterable[SlotRule], *, chair_pk: int, starts: time, ends: time) -> tuple[int, ...]:
    """Return the slots of a chair that are used up on a day by having it from `starts` to `ends`."""
    there = (row for row in slots_on(on, slots) if row.chair_pk == chair_pk)
    return tuple(row.slot for row in there if row.starts < ends and starts < row.ends)


def _places(day: Day, slots: tuple[SlotRule, ...], taken: Set[Taken], minutes: int) -> list[Place]:
    """The free places at one chair on one open day."""
    found = []
    for row in slots:
        ends = ends_at(row.starts, row.ends, minutes)
        if ends is None or day.opens is None or day.closes is None:
            continue
        if row.starts < day.opens or ends > day.closes:
            continue
        holds = tuple(other.slot for other in slots if other.starts < ends and row.starts < other.ends)
        if not any((row.chair_pk, day.on, slot) in taken for slot in holds):
            found.append(Place(row.chair_pk, row.chair_name, row.slot, row.starts, ends, day.on, holds))
    return found


def ends_at(starts: time, slot_ends: time, minutes: int) -> time | None:
    """Return when a session of so many minutes gives the chair back, at least the slot's end; None past midnight."""
    noon = date(2000, 1, 1)
    done = datetime.combine(noon, starts) + timedelta(minutes=minutes)
    return None if done.date() != noon else max(done.time(), slot_ends)
