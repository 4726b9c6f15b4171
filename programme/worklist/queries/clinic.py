"""What a consultant asks of one course: a year in nine lines, the years side by side, checks, and what was noted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from patients.models import Analyte, CourseNote, LabResult, Patient
from patients.queries import last_done
from programme.booking.models import Booking, BookingState
from programme.core.look import hb_places, hb_shown, hb_unit
from programme.core.models import Role
from programme.core.numeric.words import count_of, listed
from programme.core.settings_of_site import site_settings
from programme.worklist.numeric.spans import Done, Span, Visits, span_of
from programme.worklist.numeric.words import day_words, figure, full_day_words
from programme.worklist.queries.checks import CheckLine, check_lines
from programme.worklist.queries.course import CoursePage
from programme.worklist.queries.history import SessionRow
from sessions.day.models import AdverseEvent
from sessions.day.numeric.reactions import kind_words

YEARS_SHOWN = 4
AROUND_DAYS = 45  # what is noted this near to a change of pace is named beside it; chosen here
NO_FIGURE = "–"


@dataclass(frozen=True, slots=True)
class Fact:
    """One line: what, its figure and what belongs to it. reckoned: the figure is not measured."""

    what: str
    figure: str
    words: str = ""
    reckoned: bool = False


@dataclass(frozen=True, slots=True)
class YearRow:
    """Twelve months of a course; figures ready to print."""

    name: str
    sessions: int
    before: str
    over: str
    pace: str
    hb_before_g_l: float | None
    share_of_ideal: str
    units: str
    iron_mg_per_kg: str
    ferritin: str
    liver_iron: str
    came: str


@dataclass(frozen=True, slots=True)
class NoteLine:
    """A note on the course; withdrawn ones are struck and say why."""

    key: int
    on: date
    words: str
    by: str
    withdrawn: str


@dataclass(frozen=True, slots=True)
class Clinic:
    """The consultant's part of the course."""

    facts: tuple[Fact, ...]
    years: tuple[YearRow, ...]
    checks: tuple[CheckLine, ...]
    notes: tuple[NoteLine, ...]
    review: str
    review_is_overdue: bool

    @property
    def overdue(self) -> tuple[str, ...]:
        return tuple(line.words for line in self.checks if line.overdue)


@dataclass(frozen=True, slots=True)
class Known:
    """What the lines are made from: sessions, bookings and iron results of one person, oldest first."""

    done: tuple[Done, ...]
    bookings: tuple[tuple[date, str, date | None], ...]
    iron: tuple[tuple[str, date, float], ...]

    def span(self, first: date, last: date) -> Span:
        seen = Visits(
            came=sum(first <= on <= last and state == BookingState.CAME and not _late(on, safe)
                     for on, state, safe in self.bookings),
            late=sum(first <= on <= last and state == BookingState.CAME and _late(on, safe)
                     for on, state, safe in self.bookings),
            missed=sum(first <= on <= last and state == BookingState.MISSED for on, state, _ in self.bookings),
        )  # fmt: skip
        return span_of(self.done, first.toordinal(), last.toordinal(), seen)

    def newest(self, analyte: str, first: date, last: date) -> tuple[date, float] | None:
        found = [(on, value) for code, on, value in self.iron if code == analyte and first <= on <= last]
        return found[-1] if found else None


def _late(on: date, latest_safe: date | None) -> bool:
    return latest_safe is not None and on > latest_safe


def known_of(patient: Patient, sessions: Sequence[SessionRow], today: date) -> Known:
    """Return what is known of a person's past for spans; two queries beside the sessions given (newest first)."""
    bookings = Booking.objects.filter(
        patient=patient, on__lte=today, state__in=[BookingState.CAME, BookingState.MISSED]
    ).order_by("on", "pk")
    iron = LabResult.objects.in_force().filter(
        patient=patient, analyte__in=[Analyte.FERRITIN, Analyte.LIVER_IRON], taken_on__lte=today
    )
    return Known(
        tuple(done_of(row) for row in reversed(sessions)),
        tuple(bookings.values_list("on", "state", "latest_safe")),
        tuple(iron.order_by("taken_at", "pk").values_list("analyte", "taken_on", "value")),
    )


def done_of(row: SessionRow) -> Done:
    visit = row.visit
    return Done(
        row.on.toordinal(), visit.before_pct, row.before_over, row.pace_pct_per_day if row.used else None,
        visit.hb_before_g_l, visit.hb_after_g_l, visit.units, row.points_per_unit, row.share_of_ideal_pct,
        row.share_of_ideal_sd_pct, row.net_iron_mg, visit.missed,
    )  # fmt: skip


def year_before(day: date) -> date:
    """Return the day after the same day a year earlier: the first of the twelve months that end on `day`."""
    return day - timedelta(days=364)


def read_clinic(patient: Patient, page: CoursePage, now: datetime) -> Clinic:
    """Return the consultant's part of a course that was read before; nine queries."""
    today, settings = now.date(), site_settings(patient.site, now)
    known = known_of(patient, page.sessions, today)
    last = last_done(patient.site, today, only=[patient.pk]).get(patient.pk, {})
    review, overdue = _review(page, settings["goals_review_days"], today)
    return Clinic(
        facts=tuple(_facts(patient, page, known, today)),
        years=tuple(_years(known, page.record.weight_kg, today)),
        checks=check_lines(patient, page.record.age_years, settings, last, today),
        notes=note_lines(patient),
        review=review,
        review_is_overdue=overdue,
    )


def _review(page: CoursePage, limit_days: float, today: date) -> tuple[str, bool]:
    record = page.record
    if record.review_on is not None:
        verb = "was due" if record.review_on < today else "is due"
        return f"Review of the goals {verb} {day_words(record.review_on, today)}.", record.review_on < today
    if record.goals_since is None:
        return "No goals were decided for this person yet.", False
    due = record.goals_since + timedelta(days=round(limit_days))
    if due < today:
        return f"The goals were last decided {full_day_words(record.goals_since)}: review them.", True
    return f"No day of review is set; by the unit’s rule it is {day_words(due, today)}.", False


def _facts(patient: Patient, page: CoursePage, known: Known, today: date) -> list[Fact]:
    year = known.span(year_before(today), today)
    before = known.span(year_before(year_before(today) - timedelta(days=1)), year_before(today) - timedelta(days=1))
    return [
        _held(page, year, before),
        _pace(page, year, before),
        _efficiency(year, before),
        _hb(page, year),
        _units(page, year),
        _iron(page, known, year, today),
        _attendance(known, year, today),
        _antibodies(page),
        _reactions(patient, today),
    ]


def _held(page: CoursePage, year: Span, before: Span) -> Fact:
    values = year.values("before_pct")
    if not values:
        return Fact(f"Before a session, {page.followed}", "not measured", "no session in twelve months has one")
    low, high = (figure(value) for value in (min(values), max(values)))
    words = f"over the ceiling at {year.over} of {year.measured}"
    if before.measured:
        words += f"; the year before at {before.over} of {before.measured}"
    return Fact(f"Before a session, {page.followed}", f"{low} to {high} %" if low != high else f"{low} %", words)


def _pace(page: CoursePage, year: Span, before: Span) -> Fact:
    now = page.drift.pace if page.drift else None
    mean, earlier = year.mean("pace_pct_per_day"), before.mean("pace_pct_per_day")
    shown = now or (None if mean is None else figure(mean, 2))
    words = [] if earlier is None else [f"the year before {figure(earlier, 2)}"]
    change = page.details.pace_change
    if change is not None:
        near = [text for day, text in page.details.notes if abs(day - change[0]) <= AROUND_DAYS]
        words.append(
            f"changed in {date.fromordinal(change[0]):%B %Y}: " + (listed(near) or "nothing is noted around it")
        )
    return Fact("Pace of return", "cannot say" if shown is None else f"{shown} a day", "; ".join(words), reckoned=True)


def _efficiency(year: Span, before: Span) -> Fact:
    share, points = year.share_of_ideal(), year.mean("points_per_unit")
    if share is None:
        return Fact("Efficiency", "cannot say", "no session in twelve months has values and volumes")
    words = "" if points is None else f"{figure(points, 1)} points a unit"
    earlier = before.share_of_ideal()
    if earlier is not None:
        words += f"; the year before {figure(earlier.mean)} %"
    return Fact("Efficiency", f"{figure(share.mean)} % of ideal", words.lstrip("; "), reckoned=True)


def _hb(page: CoursePage, year: Span) -> Fact:
    before, after = year.mean("hb_before_g_l"), year.mean("hb_after_g_l")
    shown = ", ".join(_hb_figure(value) for value in (before, after))
    ceiling = f"mean; ceiling {_hb_figure(page.record.hb_ceiling_g_l)}"
    return Fact("Hb before, after", f"{shown} {hb_unit()}", ceiling)


def _hb_figure(value_g_l: float | None) -> str:
    return NO_FIGURE if value_g_l is None else figure(hb_shown(value_g_l), hb_places(0))


def _units(page: CoursePage, year: Span) -> Fact:
    total, some = year.total("units"), year.values("units")
    said = count_of(total, "unit") if total is not None else f"at least {count_of(sum(some), 'unit')}"
    if not year.done:
        return Fact("Units in 12 months", "none", "no session in twelve months")
    choice = next((row for row in (page.suggestion.choices if page.suggestion else ()) if row.suggested), None)
    words = "" if choice is None else f"as suggested it would be {choice.units_year} a year"
    return Fact("Units in 12 months", f"{said} in {count_of(len(year.done), 'session')}", words)


def _iron(page: CoursePage, known: Known, year: Span, today: date) -> Fact:
    total, weight = year.total("net_iron_mg"), page.record.weight_kg
    shown = "cannot say" if total is None or not weight > 0 else f"{figure(total / weight)} mg/kg"
    parts = [] if total is not None else ["volumes of some session are missing"]
    for analyte, name, unit in ((Analyte.FERRITIN, "ferritin", "µg/L"), (Analyte.LIVER_IRON, "liver iron", "mg/g")):
        newest = known.newest(analyte, date.min, today)
        parts.append(
            f"{name} not on record"
            if newest is None
            else f"{name} {newest[1]:,g} {unit} on {day_words(newest[0], today)}"
        )
    return Fact("Net iron in 12 months", shown, "; ".join(parts), reckoned=total is not None)


def _attendance(known: Known, year: Span, today: date) -> Fact:
    seen = year.visits
    if not seen.all:
        after_missed = count_of(sum(row.after_missed for row in year.done), "session")
        said = f"no booking of the last twelve months says who came; {after_missed} after a missed visit"
        return Fact("Attendance", "cannot say", said)
    missed = [
        day_words(on, today)
        for on, state, _ in known.bookings
        if state == BookingState.MISSED and on.toordinal() >= year.first
    ]
    words = [f"late {seen.late}"] if seen.late else []
    words += [f"did not come {listed(missed[-3:])}"] if missed else []
    return Fact("Attendance", f"{seen.came + seen.late} of {seen.all}", "; ".join(words) or "none missed, none late")


def _antibodies(page: CoursePage) -> Fact:
    found = page.who.blood.antibodies
    words = "binding even when no longer detectable" if found else ""
    return Fact("Antibodies ever found", listed([f"{name}{when}" for name, when in found]) or "none recorded", words)


def _reactions(patient: Patient, today: date) -> Fact:
    rows = list(AdverseEvent.objects.filter(patient=patient, at__date__lte=today).order_by("-at", "-pk"))
    recent = [row for row in rows if row.at.date() >= year_before(today)]
    words = ""
    if rows:
        grade = "" if rows[0].severity is None else f", grade {rows[0].severity}"
        words = f"latest {kind_words(rows[0].kind)}, {full_day_words(rows[0].at.date())}{grade}"
    return Fact("Reactions in 12 months", str(len(recent)) if recent else "none recorded", words)


def _years(known: Known, weight_kg: float, today: date) -> list[YearRow]:
    rows, last = [], today
    for _ in range(YEARS_SHOWN):
        first = year_before(last)
        span = known.span(first, last)
        if not span.done and not span.visits.all:
            break
        rows.append(_year_row(known, span, first, last, weight_kg))
        last = first - timedelta(days=1)
    return rows


def _year_row(known: Known, span: Span, first: date, last: date, weight_kg: float) -> YearRow:
    def mean(name: str, places: int) -> str:
        value = span.mean(name)
        return NO_FIGURE if value is None else figure(value, places)

    ferritin, liver = (known.newest(code, first, last) for code in (Analyte.FERRITIN, Analyte.LIVER_IRON))
    iron, units, seen = span.total("net_iron_mg"), span.total("units"), span.visits
    share = span.share_of_ideal()
    return YearRow(
        name=f"to {last:%b %Y}",
        sessions=len(span.done),
        before=mean("before_pct", 1),
        over=f"{span.over} of {span.measured}",
        pace=mean("pace_pct_per_day", 2),
        hb_before_g_l=span.mean("hb_before_g_l"),
        share_of_ideal=NO_FIGURE if share is None else figure(share.mean),
        units=NO_FIGURE if units is None else f"{units:g}",
        iron_mg_per_kg=NO_FIGURE if iron is None or not weight_kg > 0 else figure(iron / weight_kg),
        ferritin=NO_FIGURE if ferritin is None else f"{ferritin[1]:,g}",
        liver_iron=NO_FIGURE if liver is None else f"{liver[1]:g}",
        came=f"{seen.came} / {seen.late} / {seen.missed}" if seen.all else NO_FIGURE,
    )


def note_lines(patient: Patient) -> tuple[NoteLine, ...]:
    """Return every note on a course, newest first, withdrawn ones too; one query."""
    rows = CourseNote.objects.filter(patient=patient).select_related("by", "withdrawn_by").order_by("-on", "-pk")
    return tuple(
        NoteLine(
            row.pk, row.on, row.words, f"{row.by.full_name}, {Role(row.role).label}",
            f"withdrawn by {row.withdrawn_by.full_name}: {row.withdrawn_reason}" if row.withdrawn_by else "",
        )
        for row in rows
    )  # fmt: skip
