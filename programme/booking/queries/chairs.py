"""What the diary stands on, as its page shows it, and who is booked where there is no longer a place."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Max, Q, QuerySet

from programme.booking.models import Booking, Chair, ClosedDay, OpeningHours, OtherUse, Slot, StaffLimit
from programme.booking.numeric.calendar import WEEKDAYS, slots_on
from programme.booking.numeric.places import spoken
from programme.booking.queries.free import Booked, SiteCalendar, bank_holidays, site_calendar
from programme.core.models import Site

HOLIDAYS_AHEAD_DAYS = 400


@dataclass(frozen=True, slots=True)
class Line:
    """One row of a table: its words, its dates, and whether it has ended."""

    pk: int
    cells: tuple[str, ...]
    dates: str
    ended: bool


@dataclass(frozen=True, slots=True)
class Part:
    """One table of the page."""

    kind: str
    title: str
    heads: tuple[str, ...]
    lines: tuple[Line, ...]
    none: str


@dataclass(frozen=True, slots=True)
class Displaced:
    """A standing booking that the diary would no longer give, and why."""

    booking: Booked
    why: str


def chair_parts(site: Site, today: date) -> tuple[Part, ...]:
    """Return the tables of the page; six queries."""
    return (
        _part("chair", "Chairs", ("Chair", "Note"), Chair.objects.filter(site=site), today, _chair, "No chair yet."),
        _part(
            "slot", "Starts", ("Chair", "Start", "Has the chair to"),
            Slot.objects.filter(chair__site=site).select_related("chair").order_by("chair__place", "starts"),
            today, _slot, "No start yet: nobody can be booked.",
        ),
        _part(
            "opening", "Opening hours", ("Weekday", "Opens", "Closes"),
            OpeningHours.objects.filter(site=site).order_by("weekday", "since"), today, _opening,
            "No opening hours yet: the unit counts as closed.",
        ),
        _closed(site, today),
        _part(
            "staff", "Staff", ("Weekday", "Exchanges a day", "Why"),
            StaffLimit.objects.filter(site=site).order_by("weekday", "since"), today, _staff,
            "No limit by staff: only chairs count.",
        ),
        _part(
            "use", "Other uses of a chair", ("Chair", "Weekday", "Used for"),
            OtherUse.objects.filter(chair__site=site).select_related("chair").order_by("chair__place", "since"),
            today, _use, "None.",
        ),
    )  # fmt: skip


def _part(
    kind: str, title: str, heads: tuple[str, ...], rows: QuerySet[Any], today: date, cells: Any, none: str
) -> Part:
    lines = [Line(row.pk, cells(row), dates_of(row), row.until is not None and row.until < today) for row in rows]
    return Part(kind, title, heads, tuple(sorted(lines, key=lambda line: line.ended)), none)


def dates_of(row: Any) -> str:
    """'from Mon 1 Jun 2026', 'Mon 1 Jun 2026' or 'Mon 1 Jun 2026 to Fri 5 Jun 2026'."""
    if row.until is None:
        return f"from {spoken(row.since)}"
    return spoken(row.since) if row.since == row.until else f"{spoken(row.since)} to {spoken(row.until)}"


def _chair(row: Chair) -> tuple[str, ...]:
    return row.name, row.note


def _slot(row: Slot) -> tuple[str, ...]:
    return row.chair.name, f"{row.starts:%H:%M}", f"{row.ends:%H:%M}"


def _opening(row: OpeningHours) -> tuple[str, ...]:
    return WEEKDAYS[row.weekday], f"{row.opens:%H:%M}", f"{row.closes:%H:%M}"


def _staff(row: StaffLimit) -> tuple[str, ...]:
    return _weekday(row.weekday), str(row.most), row.words


def _use(row: OtherUse) -> tuple[str, ...]:
    return row.chair.name, _weekday(row.weekday), row.words


def _weekday(weekday: int | None) -> str:
    return "every day" if weekday is None else WEEKDAYS[weekday]


def _closed(site: Site, today: date) -> Part:
    """Days that differ, from today on."""
    rows = ClosedDay.objects.filter(site=site, on__gte=today).order_by("on")
    lines = tuple(Line(row.pk, (_day_words(row), row.words), spoken(row.on), False) for row in rows)
    return Part("closed", "Days that differ", ("What", "Why"), lines, "None ahead.")


def _day_words(row: ClosedDay) -> str:
    if row.works:
        return "open as usual"
    return "closed" if row.closes is None else f"closes {row.closes:%H:%M}"


def holidays_ahead(site: Site, today: date) -> tuple[tuple[date, str], ...]:
    """Return the bank holidays ahead on which the unit is closed unless it says otherwise; one query."""
    found = bank_holidays(site, today, today + timedelta(days=HOLIDAYS_AHEAD_DAYS))
    answered = set(ClosedDay.objects.filter(site=site, on__gte=today).values_list("on", flat=True))
    return tuple((on, name) for on, name in sorted(found.items()) if on not in answered)


def displaced(site: Site, today: date) -> tuple[Displaced, ...]:
    """Return the standing bookings from today on that no longer have a place, by day; nine queries at most."""
    last = Booking.objects.standing().filter(chair__site=site, on__gte=today).aggregate(last=Max("on"))["last"]
    if last is None:
        return ()
    calendar = site_calendar(site, today, last)
    found = ((row, _why_not(row, calendar)) for row in calendar.bookings if row.stands)
    return tuple(Displaced(row, why) for row, why in found if why)


def _why_not(row: Booked, calendar: SiteCalendar) -> str:
    """Say why a booking would not be given today; '' where it would."""
    day = calendar.day(row.on)
    if day is None or not day.open or day.opens is None or day.closes is None:
        return f"the unit is closed ({'' if day is None else day.why})"
    rules = [rule for rule in slots_on(row.on, calendar.slots) if rule.chair_pk == row.chair_pk]
    if not any(rule.starts == row.starts for rule in rules):
        return f"the chair has no start at {row.starts:%H:%M} that day"
    use = next((use for use in calendar.uses if use.chair_pk == row.chair_pk and use.dates.hold(row.on)), None)
    if use is not None:
        return f"the chair is used for something else: {use.words}"
    if row.starts < day.opens or row.ends > day.closes:
        return f"the unit is open from {day.opens:%H:%M} to {day.closes:%H:%M}"
    if day.most is not None and calendar.running.get(row.on, 0) > day.most:
        return f"{calendar.running[row.on]} are booked where staff allow {day.most}"
    return ""


def chairs_there(site: Site, today: date) -> QuerySet[Chair]:
    """Return the chairs of a unit that are not given up before today."""
    return Chair.objects.filter(Q(until__isnull=True) | Q(until__gte=today), site=site)
