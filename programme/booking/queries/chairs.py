"""What the diary stands on, as its page shows it, and who is booked where there is no longer a place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import holidays
from django.db.models import Max, Q, QuerySet
from holidays.registry import COUNTRIES

from patients.models import Patient
from programme.booking.models import Away, Booking, Chair, ClosedDay, OpeningHours, OtherUse, Slot, StaffLimit
from programme.booking.numeric.calendar import WEEKDAYS, slots_on
from programme.booking.numeric.places import spoken
from programme.booking.numeric.staff import COUNTED, Staffed, most_at_once
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
    note: str = ""


@dataclass(frozen=True, slots=True)
class Displaced:
    """A standing booking that the diary would no longer give, and why.

    only_staff: nothing stands against it but that more run at once than staff can run, so that some can stay.
    """

    booking: Booked
    why: str
    only_staff: bool = False


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
            "staff", "Staff", ("Weekday", "Exchanges at once", "Why"),
            StaffLimit.objects.filter(site=site).order_by("weekday", "since"), today, _staff,
            "No limit by staff: only chairs count.",
            f"How many exchanges staff can run at once. {COUNTED} Where several limits hold, the smallest counts.",
        ),
        _part(
            "use", "Other uses of a chair", ("Chair", "Weekday", "Hours", "Used for"),
            OtherUse.objects.filter(chair__site=site).select_related("chair").order_by("chair__place", "since"),
            today, _use, "None.",
        ),
    )  # fmt: skip


def _part(
    kind: str, title: str, heads: tuple[str, ...], rows: QuerySet[Any], today: date, cells: Any, none: str,
    note: str = "",
) -> Part:  # fmt: skip
    lines = [Line(row.pk, cells(row), dates_of(row), row.until is not None and row.until < today) for row in rows]
    return Part(kind, title, heads, tuple(sorted(lines, key=lambda line: line.ended)), none, note)


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
    hours = "all day" if row.starts is None or row.ends is None else f"{row.starts:%H:%M} to {row.ends:%H:%M}"
    return row.chair.name, _weekday(row.weekday), hours, row.words


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


def countries_known() -> list[tuple[str, str]]:
    """Return the code and name of every country of which bank holidays are known, by name."""
    names = {code: key.replace("_", " ").title() for key, (_, code, *_) in COUNTRIES.items()}
    known = holidays.list_supported_countries(include_aliases=False)
    return sorted(((code, names.get(code, code)) for code in known), key=lambda pair: pair[1])


def whose_holidays(site: Site) -> str:
    """Return whose bank holidays hold, as 'United Kingdom (GB), England (ENG)'; '' where none are known."""
    try:
        found = holidays.country_holidays(site.country, subdiv=site.region or None)
    except NotImplementedError:
        return ""
    name = next(key for key, (_, *codes) in COUNTRIES.items() if site.country in codes)
    words = f"{name.replace('_', ' ').title()} ({site.country})"
    if not site.region:
        return words
    named = {code: alias for alias, code in reversed(getattr(found, "subdivisions_aliases", {}).items())}
    return f"{words}, {named.get(site.region, 'region')} ({site.region})"


def displaced(site: Site, today: date, *, only: int | None = None) -> tuple[Displaced, ...]:
    """Return the standing bookings from today on that cannot be kept, by day.

    The unit has no such place any more, or the person is away then or no longer on the programme.

    only: the key of one person. Ten queries at most.
    """
    rows = Booking.objects.standing().filter(chair__site=site, on__gte=today)
    rows = rows if only is None else rows.filter(patient=only)
    last = rows.aggregate(last=Max("on"))["last"]
    if last is None:
        return ()
    calendar = site_calendar(site, today, last)
    room, away = calendar.room, [row for row in _away(site, today) if only is None or row.patient_id == only]
    standing = (row for row in calendar.bookings if row.stands and only in (None, row.patient_pk))
    found = (
        (row, _why_left(row) or _why_not(row, calendar) or _why_away(row, away), _why_staff(row, room))
        for row in standing
    )
    return tuple(Displaced(row, why or staff, not why) for row, why, staff in found if why or staff)


def booked_while_away(patient: Patient, today: date) -> tuple[Booking, ...]:
    """Return the standing bookings of a person on days on which they cannot come, by day; two queries."""
    away = Away.objects.filter(patient=patient, until__gte=today, cannot=True, withdrawn_reason="")
    spans = [(row.since, row.until) for row in away]
    rows = Booking.objects.standing().filter(patient=patient, on__gte=today).order_by("on", "starts")
    return tuple(row for row in rows if any(since <= row.on <= until for since, until in spans))


def _away(site: Site, today: date) -> QuerySet[Away]:
    return Away.objects.filter(patient__site=site, until__gte=today, cannot=True, withdrawn_reason="").order_by("pk")


def _why_left(row: Booked) -> str:
    return f"they are no longer on the programme ({row.off_programme})" if row.off_programme else ""


def _why_away(row: Booked, away: Iterable[Away]) -> str:
    """Say that the person cannot come on the day of a booking; '' where nothing of the kind is recorded."""
    for one in away:
        if one.patient_id == row.patient_pk and one.since <= row.on <= one.until:
            return f"they cannot come until {spoken(one.until)}{f': {one.words}' if one.words else ''}"
    return ""


def _why_not(row: Booked, calendar: SiteCalendar) -> str:
    """Say why a booking would not be given today, whatever the staff; '' where it would."""
    day = calendar.day(row.on)
    if day is None or not day.open or day.opens is None or day.closes is None:
        return f"the unit is closed ({'' if day is None else day.why})"
    rules = [rule for rule in slots_on(row.on, calendar.slots) if rule.chair_pk == row.chair_pk]
    if not any(rule.starts == row.starts for rule in rules):
        return f"the chair has no start at {row.starts:%H:%M} that day"
    use = next((use for use in calendar.uses if use.takes(row.chair_pk, row.on, row.starts, row.ends)), None)
    if use is not None:
        return f"the chair is used for something else: {use.said}"
    if row.starts < day.opens or row.ends > day.closes:
        return f"the unit is open from {day.opens:%H:%M} to {day.closes:%H:%M}"
    return ""


def _why_staff(row: Booked, room: Mapping[date, Staffed]) -> str:
    """Say that more run at once with a booking than staff can run; '' where it is not so."""
    staffed = room.get(row.on)
    if staffed is None or not row.runs or not staffed.is_over(row.starts, row.ends):
        return ""
    at_once = most_at_once(staffed.runs, row.starts, row.ends)
    words = "exchange" if at_once == 1 else "exchanges"
    return f"{at_once} {words} would run at once where staff can run {staffed.most}"


def chairs_there(site: Site, today: date) -> QuerySet[Chair]:
    """Return the chairs of a unit that are not given up before today."""
    return Chair.objects.filter(Q(until__isnull=True) | Q(until__gte=today), site=site)
