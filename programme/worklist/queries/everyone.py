"""The list: everyone on the programme of a site as frozen rows, most pressing first. Fixed number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import OuterRef, Subquery
from django.db.models.fields.json import KeyTransform

from patients.models import Analyte, LabResult, Patient, Standing
from patients.queries import checks_due, last_done
from programme.booking.numeric.missed import is_child, to_consultant_on
from programme.booking.queries.blood import holidays_around
from programme.booking.queries.chairs import displaced
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from programme.planning.numeric.series import LEAST_GAIN
from programme.supply.queries.short import BloodNote, blood_of_bookings
from programme.worklist.numeric.course import Course, Visit, visit_of
from programme.worklist.numeric.situation import Situation
from programme.worklist.numeric.urgency import (
    BAND_NAMES,
    BAND_WORDS,
    LAPSED,
    Band,
    Need,
    chance_column,
    judge,
    opening,
)
from programme.worklist.numeric.words import day_words, figure, short_day_words, span_words
from programme.worklist.queries.booked import Place, booked_places
from programme.worklist.queries.checks import overdue_words
from programme.worklist.queries.in_force import in_force
from programme.worklist.queries.left_over import LeftOver, left_over
from programme.worklist.queries.measured import Measured, newest_since_last_session
from programme.worklist.queries.missing import Missing, missing_after
from programme.worklist.queries.stored import Stored
from sessions.day.models import FollowUp, Prescription
from sessions.day.numeric.foreseen import Foreseen
from sessions.day.numeric.volume_stops import SMALL_BODY_KG
from sessions.day.queries import foreseen_after
from sessions.models import ExchangeSession, SessionFacts, State
from sessions.queries.in_hand import IN_HAND
from sessions.queries.people import PersonRecord, people_inputs

DRAWN_DAYS = 24 * 7 + 90  # the picture's past, and the session before it from which its first climb starts
BEFORE_ITS_END = (State.PLANNED, LAPSED, State.AUTHORISED, State.RUNNING)


@dataclass(frozen=True, slots=True)
class Row:
    """One person in the list, in words and figures ready to print; `course` is drawn by the charts."""

    patient_ref: str
    name: str
    ceiling: str
    followed: str
    need: Need
    course: Course
    before: str
    before_over: bool
    before_day: str
    days_since: int | None
    chance: str
    chance_when: str
    chance_is_reckoned: bool
    chance_is_hot: bool
    window: str
    window_passed: bool
    best_day: str
    stale: bool
    contact_key: int | None = None
    missing_key: int | None = None
    chair: Chair | None = None
    place: Place | None = None
    missed_on: date | None = None
    unsaid_on: date | None = None
    booked: str = ""
    booked_late: bool = False
    blood: BloodNote | None = None


@dataclass(frozen=True, slots=True)
class Chair:
    """A session of today that is not closed, and where it stands. lapsed: as planned, for its signature lapsed."""

    key: int
    state: str
    lapsed: bool


@dataclass(frozen=True, slots=True)
class BandOfRows:
    """One band of the list with its people."""

    band: Band
    rows: tuple[Row, ...]
    first_number: int

    @property
    def name(self) -> str:
        return BAND_NAMES[self.band]

    @property
    def words(self) -> str:
        return BAND_WORDS[self.band] if self.rows else ""


@dataclass(frozen=True, slots=True)
class ListPage:
    """The whole list: bands in order, the opening sentences about everyone, and what was searched for.

    left: sessions of days gone by that are not over.
    """

    today: date
    bands: tuple[BandOfRows, ...]
    opening: tuple[str, str, str]
    people: int
    shown: int
    find: str
    nothing_stored: bool
    left: tuple[LeftOver, ...] = ()


def everyone(site: Site, now: datetime, *, find: str = "") -> ListPage:
    """Return the list of `site` at the local moment `now`; `find` narrows the rows, never the opening sentences."""
    today = now.date()
    settings = site_settings(site, now)
    force = in_force(site, today)
    patients = list(_people(site, today))
    records = {
        record.pk: record for record in people_inputs(site, today, settings, patient_pks=[p.pk for p in patients])
    }
    visits = _visits(site, today)
    measured = newest_since_last_session(site, today, {pk: record.last_on for pk, record in records.items()})
    chairs, called_off = _in_chair(site, today)
    troubles = {one.booking.pk: one.why for one in displaced(site, today)}
    contacts, places, done = _contacts(site, today), booked_places(site, today), last_done(site, today)
    foreseen = foreseen_after(list(records), today)
    missing = missing_after(site, today, look_back_days=int(settings["results_stale_days"]))
    holidays, rows = holidays_around(site, today), []
    for patient in patients:
        record = records[patient.pk]
        stored = Stored.of(patient, force, today)
        situation = _situation(
            patient, record, stored, measured.get(patient.pk), today, settings, chair=chairs.get(patient.pk),
            contact=contacts.get(patient.pk), place=places.get(patient.pk, Place()), done=done.get(patient.pk, {}),
            troubles=troubles, holidays=holidays, missing=missing.get(patient.pk, Missing()),
        )  # fmt: skip
        series = None if patient.pk in called_off else foreseen.get(patient.pk)
        series_on = _series_on(series, situation, visits[patient.pk])
        situation = replace(situation, series_on=series_on)
        row = _row(patient, record, stored, situation, visits[patient.pk], contacts.get(patient.pk))
        row = replace(row, chair=chairs.get(patient.pk), missing_key=missing.get(patient.pk, Missing()).key)
        rows.append(_with_place(row, situation, places.get(patient.pk)))
    blood = blood_of_bookings(site, settings, now)
    rows = [replace(row, blood=blood.get(row.place.key)) if row.place and row.place.key else row for row in rows]
    rows.sort(key=lambda row: (row.need.band, row.need.weight, row.name.casefold(), row.patient_ref))
    return _page(rows, today, find, nothing_stored=force.fit is None, left=left_over(site, today))


def _series_on(series: Foreseen | None, s: Situation, visits: Sequence[Visit]) -> date | None:
    """The day foreseen for the second session of a series, until it has gone by; None where nobody need decide."""
    if series is None or series.first_on != s.last_on or series.next_on < s.today:
        return None
    booked = s.booked_on is not None and s.booked_on <= series.last_on
    reached = bool(visits) and series.has_come_to_target(visits[-1].after_pct, within_pct=LEAST_GAIN)
    return None if booked or reached else series.next_on


def _with_place(row: Row, s: Situation, place: Place | None) -> Row:
    """The row with the next place in the diary."""
    if place is None or place.on is None:
        return replace(row, place=place, missed_on=s.missed_on, unsaid_on=s.unsaid_on)
    late = s.status == "ok" and not s.booked_safely
    drawn = replace(row.course, booked=tuple(on.toordinal() for on in place.all_on))
    return replace(
        row, course=drawn, place=place, unsaid_on=s.unsaid_on, booked=day_words(place.on, s.today), booked_late=late
    )


def _page(rows: Sequence[Row], today: date, find: str, *, nothing_stored: bool, left: Sequence[LeftOver]) -> ListPage:
    words = find.casefold().split()

    def found(row: Row | LeftOver) -> bool:
        return all(word in f"{row.name} {row.patient_ref}".casefold() for word in words)

    shown = [row for row in rows if found(row)]
    bands, number = [], 1
    for band in Band:
        members = tuple(row for row in shown if row.need.band is band)
        if band is Band.CHAIR and not members:
            continue
        bands.append(BandOfRows(band, members, number))
        number += len(members)
    said = opening([(_spoken(row.name), row.need) for row in rows])
    waiting = tuple(row for row in left if found(row))
    return ListPage(today, tuple(bands), said, len(rows), len(shown), find, nothing_stored, waiting)


def _spoken(name: str) -> str:
    """Turn 'Family, Given' into 'Given Family'."""
    family, comma, given = name.partition(", ")
    return f"{given} {family}" if comma else name


def _people(site: Site, today: date) -> Iterable[Patient]:
    """People on the programme or paused, with what is stored for them; only the parts of it that the list prints."""
    before = SessionFacts.objects.filter(
        patient=OuterRef("pk"), day__lte=today.toordinal(), hbs_before_pct__isnull=False
    ).order_by("-day")
    results = (
        LabResult.objects.in_force()
        .filter(patient=OuterRef("pk"), analyte=Analyte.HBS, taken_on__lte=today)
        .order_by("-taken_on")
    )
    return (
        Patient.objects.of_site(site)
        .filter(standing__in=[Standing.ACTIVE, Standing.PAUSED])
        .select_related("suggestion", "forecast")
        .defer("suggestion__body", "suggestion__options", "forecast__results_used")
        .annotate(
            chance_by_day=KeyTransform("chance_by_day", "suggestion__options"),
            earliest=KeyTransform("earliest_date", "suggestion__options"),
            before_pct=Subquery(before.values("hbs_before_pct")[:1]),
            before_day=Subquery(before.values("day")[:1]),
            newest_result_on=Subquery(results.values("taken_on")[:1]),
        )
        .order_by("patient_ref")
    )


def _visits(site: Site, today: date) -> Mapping[int, list[Visit]]:
    """Return everyone's sessions of the last months, oldest first."""
    facts = SessionFacts.objects.filter(
        patient__site=site, day__gte=today.toordinal() - DRAWN_DAYS, day__lte=today.toordinal()
    ).order_by("patient", "day")
    found: defaultdict[int, list[Visit]] = defaultdict(list)
    for pk, day, before, after, ratio in facts.values_list(
        "patient_id", "day", "hbs_before_pct", "hbs_after_pct", "hbs_ratio"
    ):
        found[pk].append(visit_of(day, before, after, ratio))
    return found


def _in_chair(site: Site, today: date) -> tuple[dict[int, Chair], set[int]]:
    """Return the session of today of everybody who has one that is not closed, and whose session of today was called
    off."""
    states = [*IN_HAND, State.CANCELLED]
    rows = ExchangeSession.objects.filter(patient__site=site, on=today, state__in=states).order_by("pk")
    plans = Prescription.objects.filter(exchange_session=OuterRef("pk")).order_by("-number")
    chairs, called_off = dict[int, Chair](), set[int]()
    for pk, key, state, lapsed in rows.annotate(lapsed_at=Subquery(plans.values("lapsed_at")[:1])).values_list(
        "patient_id", "pk", "state", "lapsed_at"
    ):
        if state == State.CANCELLED:
            called_off.add(pk)
        else:
            chairs[pk] = Chair(key, state, state == State.PLANNED and lapsed is not None)
    return chairs, called_off


def _contacts(site: Site, today: date) -> Mapping[int, FollowUp]:
    """Return the contact after a session that is due by now and has waited longest, of everybody who has one."""
    due = FollowUp.objects.filter(patient__site=site, done_at__isnull=True, due_on__lte=today)
    return {row.patient_id: row for row in due.order_by("-due_on", "-pk")}


def _situation(
    patient: Any,
    record: PersonRecord,
    stored: Stored,
    measured: Measured | None,
    today: date,
    settings: Mapping[str, float],
    *,
    chair: Chair | None,
    contact: FollowUp | None,
    place: Place,
    done: Mapping[str, date],
    troubles: Mapping[int, str],
    holidays: frozenset[date],
    missing: Missing,
) -> Situation:
    small = record.weight_kg < SMALL_BODY_KG
    missed_on = place.missed_since(record.last_on)
    waits = "" if chair is None else place.left_open(chair.state, today)
    if measured is not None and measured.pct <= record.hbs_ceiling_pct:
        # A low value counts as the before-value only for so long; one over the ceiling stands until the session.
        recent = (today - measured.on).days * 24 <= settings["before_result_hours"]
        measured = measured if recent else None
    return Situation(
        today=today,
        ceiling_pct=record.hbs_ceiling_pct,
        last_on=record.last_on,
        results_on=patient.newest_result_on,
        locked=stored.locked or _open_sign(record, today, settings),
        chair="" if chair is None or waits else LAPSED if chair.lapsed else chair.state,
        plan_waits=waits,
        paused=_paused_words(patient, today),
        measured_pct=None if measured is None else measured.pct,
        measured_on=None if measured is None else measured.on,
        status=stored.status,
        reason=stored.reason,
        stale=stored.stale,
        suggested_on=stored.suggested_on,
        latest_safe_on=stored.latest_safe_on,
        chance_today=stored.chance_today,
        pace_flag=stored.flag,
        weight_on=record.weight_on,
        weight_limit_days=int(settings["weight_stale_child_days" if small else "weight_stale_days"]),
        review_on=record.review_on,
        goals_since=record.goals_since,
        review_limit_days=int(settings["goals_review_days"]),
        results_limit_days=int(settings["results_stale_days"]),
        contact_on=None if contact is None else contact.due_on,
        contact="" if contact is None else contact.get_kind_display(),
        booked_on=place.on,
        trouble="" if place.key is None else troubles.get(place.key, ""),
        booked_late=place.late_reason,
        missed_on=missed_on,
        consultant_on=missed_on and to_consultant_on(missed_on, int(settings["escalate_after_days"]), holidays),
        is_child=is_child(patient.birth_date, today),
        unsaid_on=place.unsaid_since(record.last_on),
        missing=missing.words,
        check=overdue_words(checks_due(record.age_years, record.genotype, settings, done), today),
    )


def _open_sign(record: PersonRecord, today: date, settings: Mapping[str, float]) -> str:
    """A sign noted since the forecast was made locks at once, without waiting for the next forecast."""
    watch = timedelta(days=settings["haemolysis_watch_days"])
    signs = [words for on, words in record.open_signs if on >= today - watch]
    return ", ".join(signs)


def _paused_words(patient: Patient, today: date) -> str:
    if patient.standing != Standing.PAUSED:
        return ""
    since = "" if patient.standing_since is None else f" since {short_day_words(patient.standing_since, today)}"
    why = f": {patient.standing_reason.rstrip('. ')}" if patient.standing_reason else ""
    review = patient.standing_review_on
    verb = "" if review is None else "review was due" if review < today else "look at it again"
    return f"Paused{since}{why}" + (f"; {verb} {short_day_words(review, today)}" if review else "")


def _row(
    patient: Any, record: PersonRecord, stored: Stored, s: Situation, visits: Sequence[Visit], contact: FollowUp | None
) -> Row:
    shown = s.status == "ok" and not s.locked and not s.paused
    over_now = shown and s.measured_pct is not None and s.measured_pct > s.ceiling_pct
    is_today = over_now or s.chair in BEFORE_ITS_END
    passed = shown and s.latest_safe_on is not None and s.latest_safe_on < s.today and not is_today
    window = None
    if shown and s.latest_safe_on is not None and not is_today:
        first = max(stored.earliest_on or s.today, s.today)
        window = (first.toordinal(), s.latest_safe_on.toordinal())
    measured_on = s.measured_on
    chance, when = chance_column(s, stored.chance_next)
    before, before_on = patient.before_pct, patient.before_day and date.fromordinal(patient.before_day)
    if s.measured_pct is not None:
        before, before_on = s.measured_pct, s.measured_on
    return Row(
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        ceiling=f"{record.hbs_ceiling_pct:g}",
        followed="HbS+HbC" if patient.follows_hbs_and_hbc else "HbS",
        need=judge(s),
        course=Course(
            today=s.today.toordinal(),
            ceilings=((0, record.hbs_ceiling_pct),),
            visits=tuple(visits),
            forecast=stored.forecast if shown else None,
            window=window,
            measured=None
            if measured_on is None or s.measured_pct is None
            else (measured_on.toordinal(), s.measured_pct),
        ),
        before="" if before is None else figure(before, 1),
        before_over=before is not None and round(before, 1) > record.hbs_ceiling_pct,
        before_day="" if before_on is None else short_day_words(before_on, s.today),
        days_since=None if record.last_on is None else (s.today - record.last_on).days,
        chance=chance,
        chance_when=when,
        chance_is_reckoned=shown and s.measured_pct is None,
        chance_is_hot=chance == "over"
        or bool(shown and when == "today" and (s.chance_today or 0) > record.accepted_chance),
        window="today" if is_today else _window_words(window, s, passed=passed),
        window_passed=passed,
        best_day="" if window is None or passed else _best_words(s),
        stale=s.stale,
        contact_key=None if contact is None else contact.pk,
    )


def _window_words(window: tuple[int, int] | None, s: Situation, *, passed: bool) -> str:
    if passed and s.latest_safe_on is not None:
        return f"passed {short_day_words(s.latest_safe_on, s.today)}"
    if window is None:
        return "none"
    if s.suggested_after_safe:
        return f"safe to {short_day_words(date.fromordinal(window[1]), s.today)}"
    return span_words(date.fromordinal(window[0]), date.fromordinal(window[1]), s.today)


def _best_words(s: Situation) -> str:
    if s.suggested_on is None:
        return ""
    return f"{'next' if s.suggested_after_safe else 'best'} {day_words(s.suggested_on, s.today)}"
