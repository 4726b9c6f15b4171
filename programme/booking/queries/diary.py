"""The diary: days run down; chairs, then people who still need a place, run across. Fixed number of queries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from programme.booking.models import BookingState
from programme.booking.numeric.calendar import NEVER_OPEN, Day, Place, SlotRule, slots_on
from programme.booking.numeric.places import RankedPlace
from programme.booking.numeric.staff import Run, Staffed
from programme.booking.queries.free import Booked, SiteCalendar, site_calendar
from programme.booking.queries.outlasting import Outlasting, outlasting
from programme.booking.queries.placing import ToPlace, due_among, free_by_week, people_of, places_for
from programme.core.models import Site
from programme.core.settings_of_site import site_settings

WEEKS = 5
BOXES = 3
PEOPLE_AND_STARTS = 12  # columns that a page of a clinic's screen holds
FEWEST_PEOPLE, MOST_PEOPLE = 3, 8
SHOWN_ON_A_TABLET = 5
DAYS_AFTER_SAFE = 5  # open days shown after the last safe one; chosen here


@dataclass(frozen=True, slots=True)
class Column:
    """A start of a chair; the first one of it also shows bookings that fit no start any more."""

    chair_pk: int
    slot: int
    name: str
    starts: str
    is_first: bool = True


@dataclass(frozen=True, slots=True)
class ChairCell:
    """What a chair is doing on a day. kind: 'bkd', 'fr', 'oth', 'nos' or '' for nothing to say."""

    kind: str
    words: str = ""
    booked: Booked | None = None
    name: str = ""
    missed: tuple[tuple[Booked, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PersonCell:
    """A person's chance on a day and the ranked place on it. edge: 'we' first, 'wl' last day of the window."""

    chance: float | None = None
    late: bool = False
    inside: bool = False
    first: bool = False
    last: bool = False
    box: RankedPlace | None = None


@dataclass(frozen=True, slots=True)
class DayRow:
    """One day. week: its number on the first row of the week, which is as high as `span` rows."""

    on: date
    day: Day
    is_today: bool
    is_past: bool
    begins_month: bool
    cells: tuple[ChairCell, ...]
    beside: tuple[tuple[PersonColumn, PersonCell], ...]
    week: int | None = None
    span: int = 0

    @property
    def has_anybody(self) -> bool:
        return any(cell.booked or cell.missed for cell in self.cells)


@dataclass(frozen=True, slots=True)
class PersonColumn:
    """Somebody who needs a place, with the best places for them."""

    row: ToPlace
    name: str
    wish: str
    places: tuple[RankedPlace, ...]
    on_tablet: bool

    @property
    def spoken(self) -> str:
        """'Given Family', as a sentence has it."""
        family, comma, given = self.row.name.partition(", ")
        return f"{given} {family}" if comma else family

    @property
    def first(self) -> RankedPlace | None:
        return self.places[0] if self.places else None


@dataclass(frozen=True, slots=True)
class DiaryPage:
    """The whole sheet. people: those with a column and places; others: those for whom there is no room.

    too_short: whose session would outlast the place booked for it. by_hand: for whom no window is known and no place
    stands.
    """

    today: date
    calendar: SiteCalendar
    columns: tuple[Column, ...]
    people: tuple[PersonColumn, ...]
    others: tuple[PersonColumn, ...]
    rows: tuple[DayRow, ...]
    room: tuple[tuple[int, int], ...]
    earlier: date
    later: date
    too_short: tuple[Outlasting, ...] = ()
    by_hand: tuple[ToPlace, ...] = ()

    @property
    def everyone(self) -> tuple[PersonColumn, ...]:
        return self.people + self.others

    @property
    def on_tablet(self) -> int:
        """How many people have a column on a narrow screen too."""
        return sum(person.on_tablet for person in self.people)

    @property
    def only_wide(self) -> int:
        return len(self.people) - self.on_tablet

    @property
    def past(self) -> tuple[PersonColumn, ...]:
        """Who is past the last safe day."""
        return tuple(person for person in self.everyone if person.row.is_past)


def read_diary(site: Site, now: datetime, *, since: date | None = None) -> DiaryPage:
    """Return the diary of a unit for five weeks from the Monday of a day (None: today)."""
    today = now.date()
    first = since or today
    first -= timedelta(days=first.weekday())
    last = first + timedelta(days=7 * WEEKS - 1)
    settings = site_settings(site, now)
    # Places count from today on, also on a sheet that begins later.
    whole = site_calendar(site, min(first, today), max(last, today))
    shown = part(whole, first, last)
    columns = columns_of(shown)
    found = people_of(site, now, settings)
    waiting = due_among(found, whole.last)
    names = short_names([row.name for row in waiting])
    most = min(MOST_PEOPLE, max(FEWEST_PEOPLE, PEOPLE_AND_STARTS - len(columns)))
    people = [
        PersonColumn(
            row=row,
            name=names[row.name],
            wish=wish_words(row),
            places=places_for(row, whole)[:BOXES] if n < most else (),
            on_tablet=n < SHOWN_ON_A_TABLET,
        )
        for n, row in enumerate(waiting)
    ]
    return DiaryPage(
        today=today,
        calendar=whole,
        columns=columns,
        people=tuple(people[:most]),
        others=tuple(people[most:]),
        rows=rows_of(shown, columns, people[:most], now),
        room=free_by_week(shown, today),
        earlier=first - timedelta(days=7 * (WEEKS - 1)),
        later=first + timedelta(days=7 * (WEEKS - 1)),
        too_short=outlasting(found, whole),
        by_hand=tuple(row for row in found if row.is_by_hand),
    )


def part(calendar: SiteCalendar, first: date, last: date) -> SiteCalendar:
    """The days of a calendar from first to last."""
    days = tuple(day for day in calendar.days if first <= day.on <= last)
    bookings = tuple(row for row in calendar.bookings if first <= row.on <= last)
    return replace(calendar, first=first, last=last, days=days, bookings=bookings)


def columns_of(calendar: SiteCalendar) -> tuple[Column, ...]:
    """Return a column for every start of every chair that there is on one of the days, and for every chair that is
    given up while somebody is booked on it."""
    found: dict[tuple[int, int], Column] = {}
    for rule in calendar.slots:
        if any(rule.dates.hold(day.on) and rule.chair_dates.hold(day.on) for day in calendar.days):
            first = not any(chair == rule.chair_pk for chair, _ in found)
            column = Column(rule.chair_pk, rule.slot, rule.chair_name, f"{rule.starts:%H:%M}", first)
            found.setdefault((rule.chair_pk, rule.slot), column)
    for row in calendar.bookings:
        if not any(chair == row.chair_pk for chair, _ in found):
            found[row.chair_pk, 0] = Column(row.chair_pk, 0, row.chair, "given up")
    return tuple(found.values())


def rows_of(
    calendar: SiteCalendar, columns: tuple[Column, ...], people: list[PersonColumn], now: datetime
) -> tuple[DayRow, ...]:
    """Return a row for every day but those on which the unit is never open and nobody is booked."""
    today, booked_on = now.date(), {row.on for row in calendar.bookings}
    days = [day for day in calendar.days if day.open or not day.why.startswith(NEVER_OPEN) or day.on in booked_on]
    free = {
        place.key: place
        for place in calendar.places(since=today)
        if (place.on, place.starts) > (today, now.time())  # a start that has passed is not free any more
    }
    names = short_names([row.name for row in calendar.bookings])
    room, rows = calendar.room, list[DayRow]()
    shown = [day.on for day in days]
    for at, day in enumerate(days):
        week = day.on.isocalendar().week
        begins = at == 0 or days[at - 1].on.isocalendar().week != week
        cells = tuple(chair_cell(calendar, column, day, free, names, room, today) for column in columns)
        rows.append(
            DayRow(
                on=day.on,
                day=day,
                is_today=day.on == today,
                is_past=day.on < today,
                begins_month=at == 0 or begins or days[at - 1].on.month != day.on.month,
                cells=cells,
                beside=tuple((person, person_cell(person, day, shown, today)) for person in people),
                week=week if begins else None,
                span=sum(1 for on in shown if on.isocalendar()[:2] == day.on.isocalendar()[:2]) if begins else 0,
            )
        )
    return tuple(rows)


def chair_cell(
    calendar: SiteCalendar,
    column: Column,
    day: Day,
    free: Mapping[tuple[date, int, int], Place],
    names: Mapping[str, str],
    room: Mapping[date, Staffed],
    today: date,
) -> ChairCell:
    """Return what one start of a chair is doing on one day."""
    rules = slots_on(day.on, calendar.slots)
    rule = next((row for row in rules if (row.chair_pk, row.slot) == (column.chair_pk, column.slot)), None)
    here = bookings_here(calendar, column, day.on, rules)
    missed = tuple((row, names[row.name]) for row in here if row.state == BookingState.MISSED)
    has_it = next((row for row in here if row.state != BookingState.MISSED), None)
    if has_it is not None:
        return ChairCell("bkd", "", has_it, names[has_it.name], missed)
    if rule is None or not day.open:
        return ChairCell("nos", "" if day.open else "closed", missed=missed)
    uses = calendar.uses
    use = next((row for row in uses if row.takes(column.chair_pk, day.on, rule.starts, rule.ends)), None)
    if use is not None:
        return ChairCell("oth", use.said, missed=missed)
    if day.on < today:
        return ChairCell("", missed=missed)
    if (day.on, column.chair_pk, column.slot) in free:
        starts = f"{rule.starts:%H:%M}"
        return ChairCell("fr", "free" if starts == column.starts else f"free {starts}", missed=missed)
    if day.on in room and not room[day.on].has_room(Run(rule.starts, rule.ends)):
        return ChairCell("nos", day.staff_words or "no more staff", missed=missed)
    if day.closes is not None and rule.ends > day.closes:
        return ChairCell("nos", f"closes {day.closes:%H:%M}", missed=missed)
    return ChairCell("nos", "", missed=missed)


def bookings_here(calendar: SiteCalendar, column: Column, on: date, rules: tuple[SlotRule, ...]) -> tuple[Booked, ...]:
    """Return the bookings of a column's start on a day; none is ever out of sight because its start was taken away."""

    def overlap(row: Booked, rule: SlotRule) -> bool:
        return row.chair_pk == rule.chair_pk and row.starts < rule.ends and rule.starts < row.ends

    mine = [row for row in calendar.bookings if (row.on, row.chair_pk) == (on, column.chair_pk)]
    own = [rule for rule in rules if (rule.chair_pk, rule.slot) == (column.chair_pk, column.slot)]
    return tuple(
        row
        for row in mine
        if any(overlap(row, rule) for rule in own)
        or (column.is_first and not any(overlap(row, rule) for rule in rules))
    )


def person_cell(person: PersonColumn, day: Day, shown: list[date], today: date) -> PersonCell:
    """Return the chance of a person on a day: from the first useful day to a few after the last safe one."""
    who, on = person.row.seeker, day.on
    box = next((row for row in person.places if row.place.on == on), None)
    start, safe = max(who.earliest, today), who.latest_safe
    if on < start or not day.open:
        return PersonCell(box=box)
    later = [one for one in shown if one > (safe or start) and one >= start]
    end = later[DAYS_AFTER_SAFE - 1] if len(later) >= DAYS_AFTER_SAFE else (shown[-1] if shown else on)
    if on > end and box is None:
        return PersonCell()
    late = who.is_late(on)
    inside = safe is not None and not late
    window = [one for one in shown if start <= one and (safe is None or one <= safe)]
    return PersonCell(
        chance=who.chance.get(on),
        late=late,
        inside=inside,
        first=inside and bool(window) and on == window[0],
        last=inside and bool(window) and on == window[-1] and safe is not None and safe <= shown[-1],
        box=box,
    )


def short_names(names: list[str]) -> dict[str, str]:
    """Return 'Family' for every 'Family, Given'; the whole name where two people share the family's."""
    family = {name: name.partition(", ")[0] for name in names}
    shared = list(family.values())
    return {name: short if shared.count(short) == 1 else name for name, short in family.items()}


WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def wish_words(row: ToPlace) -> str:
    """Return what the head of a person's column says: stale, how pressing, else what they wish; a few words."""
    who = row.seeker
    if row.stale:
        return "figures out of date"
    if row.is_past:
        return "past, any day"
    if row.next_booked is not None:
        return "booked too late"
    parts = []
    if who.weekdays and len(who.weekdays) < 5:
        parts.append(", ".join(WEEKDAYS[day] for day in sorted(who.weekdays)))
    if who.not_before is not None:
        parts.append(f"from {who.not_before:%H:%M}")
    if who.end_by is not None:
        parts.append(f"by {who.end_by:%H:%M}")
    return ", ".join(parts) or "any day"
