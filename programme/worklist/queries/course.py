"""The course: one person's long view, read together from every stage into one frozen value."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from patients.models import Analyte, CourseNote, Goals, LabResult, Patient
from programme.core.settings_of_site import site_settings
from programme.planning.models import Suggestion
from programme.planning.queries import chance_on, sessions_ahead
from programme.worklist.numeric.course import AHEAD_DAYS, Course, Details, Forecast, Later
from programme.worklist.numeric.picture import value_at
from programme.worklist.numeric.words import chance_words, day_words, figure, full_day_words
from programme.worklist.queries.booked import Place, booked_places
from programme.worklist.queries.history import (
    Decision,
    SessionRow,
    decisions_of,
    goals_of,
    notes_of,
    removal_trend_of,
    sessions_of,
)
from programme.worklist.queries.in_force import InForce, in_force
from programme.worklist.queries.locked import Lock, lock_of
from programme.worklist.queries.measured import Measured, newest_since_last_session
from programme.worklist.queries.missing import Missing, missing_after
from programme.worklist.queries.stored import read_flag, read_forecast
from programme.worklist.queries.suggested import Suggested, suggested
from programme.worklist.queries.who import Who, who
from sessions.models import OtherTransfusion, StoredForecast
from sessions.queries.in_hand import SessionInHand, sessions_in_hand
from sessions.queries.people import PersonRecord, people_inputs

USED_RESULTS_SHOWN = 12

NOT_BELIEVED_BY_PCT = 3.0  # points between HbS measured after a session and where the forecast begins; chosen here


@dataclass(frozen=True, slots=True)
class Drift:
    """How fast HbS comes back, and where that leads; texts are figures ready to print.

    not_believed: HbS measured after the last session, where the forecast begins far from it; else ''.
    """

    pace: str
    low: str
    high: str
    gaps: int
    changed: str
    before: str
    after: str
    after_reckoned: bool
    not_believed: str
    days_on: int
    is_today: bool
    middle: str
    p10: str
    p90: str
    chance: str
    chance_is_hot: bool


@dataclass(frozen=True, slots=True)
class CoursePage:
    """Everything the course prints. stale: what to say when the stored figures are older than what is recorded."""

    patient_ref: str
    today: date
    followed: str
    who: Who
    course: Course
    details: Details
    measured: str
    measured_over: bool
    drift: Drift | None
    lock: Lock | None
    suggestion: Suggested | None
    options: Mapping[str, Any] | None
    record: PersonRecord
    stale: str
    place: Place
    missing: Missing
    in_hand: tuple[SessionInHand, ...]
    sessions: tuple[SessionRow, ...]
    removal_trend: str
    decisions: tuple[Decision, ...]
    working: tuple[tuple[str, str, str], ...]
    results_used: tuple[str, ...]
    results_count: int


def read_course(patient: Patient, now: datetime) -> CoursePage:
    """Return the course of `patient` at the local moment `now`; a fixed number of queries."""
    today = now.date()
    settings = site_settings(patient.site, now)
    force = in_force(patient.site, today)
    (record,) = people_inputs(patient.site, today, settings, patient_pks=[patient.pk])
    forecast = StoredForecast.objects.filter(patient=patient).select_related("model_fit").first()
    stored = Suggestion.objects.filter(patient=patient).first()
    goals = goals_of(patient, today)
    ceilings = _ceilings(goals, record)
    sessions = sessions_of(patient, today, ceilings)
    transfusions = OtherTransfusion.objects.filter(patient=patient, on__lte=today, withdrawn_reason="").order_by("on")
    written = CourseNote.objects.filter(patient=patient, on__lte=today, withdrawn_at__isnull=True).select_related("by")
    lock = lock_of(patient, forecast, record, today)
    view = None if stored is None else _view(stored, record, today)
    measured = newest_since_last_session(patient.site, today, {patient.pk: record.last_on}).get(patient.pk)
    place = booked_places(patient.site, today, only=[patient.pk]).get(patient.pk, Place())
    days = int(settings["results_stale_days"])
    missing = missing_after(patient.site, today, look_back_days=days, only=[patient.pk])
    curve = None if forecast is None else read_forecast(forecast.last_on, forecast.days)
    # Where nothing can be suggested, no figure of what is coming is given; a lock shows the Hb expected by now.
    given = stored is not None and stored.status == "ok" and lock is None
    course = Course(
        today=today.toordinal(),
        ceilings=ceilings,
        visits=tuple(row.visit for row in sessions),
        forecast=curve if given or lock is not None else None,
        window=None if stored is None or lock is not None else _window(stored, today),
        measured=None if measured is None else (measured.on.toordinal(), measured.pct),
        booked=tuple(on.toordinal() for on in place.all_on),
    )
    return CoursePage(
        patient_ref=patient.patient_ref,
        today=today,
        followed="HbS + HbC" if patient.follows_hbs_and_hbc else "HbS",
        who=who(patient, record, today, mixing=_mixing(stored)),
        course=course,
        details=replace(
            _details(patient, record, forecast, stored, lock, notes_of(goals, sessions, transfusions, written), today),
            later=_later(patient, record, stored, settings, today) if given else None,
        ),
        measured="" if measured is None else _measured_words(measured, today),
        measured_over=measured is not None and measured.pct > record.hbs_ceiling_pct,
        drift=None
        if forecast is None or curve is None or not given
        else _drift(forecast, curve, stored, record, sessions, today),
        lock=lock,
        suggestion=None if lock is not None else view,
        options=None if stored is None else stored.options,
        record=record,
        stale=_stale_words(force, forecast, stored, patient.data_version),
        place=place,
        missing=missing.get(patient.pk, Missing()),
        in_hand=sessions_in_hand(patient),
        sessions=tuple(reversed(sessions)),
        removal_trend=removal_trend_of(sessions),
        decisions=decisions_of(patient, goals, today),
        working=_working(forecast, sessions, force),
        results_used=_results_used(patient, forecast, today),
        results_count=0 if forecast is None else len(forecast.results_used or ()),
    )


def _measured_words(measured: Measured, today: date) -> str:
    when = "today" if measured.on == today else f"on {day_words(measured.on, today)}"
    return f"Measured {figure(measured.pct, 1)} % {when}"


def _ceilings(goals: Sequence[Goals], record: PersonRecord) -> tuple[tuple[int, float], ...]:
    if not goals:
        return ((0, record.hbs_ceiling_pct),)
    return tuple((row.since.toordinal(), row.hbs_ceiling_pct) for row in goals)


def _view(stored: Suggestion, record: PersonRecord, today: date) -> Suggested:
    return suggested(stored.body, stored.options, today=today, weight_kg=record.weight_kg)


def _mixing(stored: Suggestion | None) -> float:
    """The personal effective over the formula blood volume, nan where nothing is known of it."""
    working = {} if stored is None else (stored.options or {}).get("working") or {}
    return float(working.get("mixing", math.nan))


def _window(stored: Suggestion, today: date) -> tuple[int, int] | None:
    if stored.status != "ok" or stored.latest_safe_date is None:
        return None
    earliest = (stored.options or {}).get("earliest_date")
    first = max(date.fromisoformat(earliest) if earliest else today, today)
    return first.toordinal(), stored.latest_safe_date.toordinal()


def _details(
    patient: Patient,
    record: PersonRecord,
    forecast: StoredForecast | None,
    stored: Suggestion | None,
    lock: Lock | None,
    notes: tuple[tuple[int, str], ...],
    today: date,
) -> Details:
    flag = None if forecast is None else read_flag(forecast.flag)
    planned = None
    if stored is not None and stored.status == "ok" and stored.next_date is not None and lock is None:
        end = (stored.body.get("session") or {}).get("predicted_hbs_pct")
        planned = None if end is None else (stored.next_date.toordinal(), float(end))
    return Details(
        hb_ceiling_g_l=record.hb_ceiling_g_l,
        notes=notes,
        planned=planned,
        pace_change=None if flag is None else (flag[0].toordinal(), flag[1], flag[2]),
        hb_since=_hb_since(patient, record.last_on, today),
        locked=lock is not None,
    )


def _later(
    patient: Patient, record: PersonRecord, stored: Suggestion | None, settings: dict[str, float], today: date
) -> Later | None:
    """The sessions to come as simulated, up to the edge of the picture."""
    if stored is None or record.last_on is None:
        return None
    ahead = sessions_ahead(patient, record, as_of=today, settings=settings, stored=stored, days=AHEAD_DAYS)
    if ahead is None:
        return None
    days = tuple(record.last_on.toordinal() + day for day in ahead.days)
    return Later(days, ahead.before_bands_pct, ahead.after_bands_pct)


def _hb_since(patient: Patient, last_on: date | None, today: date) -> tuple[tuple[int, float], ...]:
    results = LabResult.objects.in_force().filter(
        patient=patient, analyte=Analyte.HB, link__isnull=True, taken_on__lte=today, taken_on__gt=last_on or date.min
    )
    return tuple((on.toordinal(), value) for on, value in results.order_by("taken_at").values_list("taken_on", "value"))


def _drift(
    forecast: StoredForecast, curve: Forecast, stored: Suggestion | None, record: PersonRecord,
    sessions: Sequence[SessionRow], today: date,
) -> Drift | None:  # fmt: skip
    pace = forecast.pace
    if not pace or pace.get("pct_per_day") is None:
        return None
    since = today.toordinal() - curve.start
    beyond = since > curve.days[-1]
    usual = round(pace.get("usual_interval_days") or 28)
    on_day = max(usual, since)
    by_day = None if stored is None else (stored.options or {}).get("chance_by_day")
    chance = chance_on(by_day, date.fromordinal(curve.start + on_day))
    flag = read_flag(forecast.flag)
    return Drift(
        pace=figure(pace["pct_per_day"], 2),
        low=figure(pace["low"], 2),
        high=figure(pace["high"], 2),
        gaps=int(pace.get("n_gaps") or 0),
        changed="" if flag is None else ("up" if flag[2] > flag[1] else "down"),
        before="" if flag is None else f"{figure(flag[1], 2)} before {flag[0]:%B %Y}",
        after="" if pace.get("after_pct") is None else figure(pace["after_pct"], 1),
        after_reckoned=bool(pace.get("after_reckoned")),
        not_believed=_not_believed(forecast, sessions),
        days_on=on_day,
        is_today=on_day == since,
        middle="" if beyond else figure(value_at(curve.days, curve.p50, on_day)),
        p10="" if beyond else figure(value_at(curve.days, curve.p10, on_day)),
        p90="" if beyond else figure(value_at(curve.days, curve.p90, on_day)),
        chance="" if chance is None else chance_words(chance),
        chance_is_hot=chance is not None and chance > record.accepted_chance,
    )


def _not_believed(forecast: StoredForecast, sessions: Sequence[SessionRow]) -> str:
    """The HbS measured after the last session where the forecast begins elsewhere, for the volumes speak against it."""
    pace, last = forecast.pace or {}, sessions[-1] if sessions else None
    start, after = pace.get("after_pct"), None if last is None else last.visit.after_pct
    if last is None or last.visit.after_reckoned or after is None or start is None or last.on != forecast.last_on:
        return ""
    return figure(after, 1) if abs(after - start) > NOT_BELIEVED_BY_PCT else ""


def _stale_words(force: InForce, forecast: StoredForecast | None, stored: Suggestion | None, data_version: int) -> str:
    """Say what changed since the stored figures were made; empty when nothing did."""
    old = [forecast] if forecast is not None and force.forecast_is_stale(forecast, data_version) else []
    older: list[StoredForecast | Suggestion] = [*old]
    if stored is not None and force.suggestion_is_stale(stored, data_version):
        older.append(stored)
    if not older:
        return ""
    made = min(row.made_at for row in older)
    changed = []
    if any(row.data_version != data_version for row in older):
        changed.append("something was recorded or corrected for this person")
    if any(row.model_fit_id != (None if force.fit is None else force.fit.pk) for row in older):
        changed.append("a newer fit of the programme is in force")
    if not changed:
        changed.append("the programme itself was renewed")
    return f"The figures below were made on {full_day_words(made)}; since then {' and '.join(changed)}."


def _working(
    forecast: StoredForecast | None, sessions: Sequence[SessionRow], force: InForce
) -> tuple[tuple[str, str, str], ...]:
    """Rows of the shown working of the pace: what, figure, words."""
    if forecast is None or not forecast.pace:
        return ()
    pace, fit = forecast.pace, forecast.model_fit
    out = [
        f"{full_day_words(row.on)} ({row.left_out})"
        for row in sessions
        if row.left_out and row.left_out != "first session"
    ]
    after, measured = pace.get("after_pct"), _not_believed(forecast, sessions)
    began = f"measured as {measured} %, which does not fit the session" if measured else "measured"
    rows = [
        ("gaps used", f"{pace.get('n_gaps', 0)}", f"left out: {'; '.join(out[-6:])}" if out else "none left out"),
        ("usual interval", f"{figure(pace.get('usual_interval_days') or 0)} days",
         f"longest seen at least twice {figure(pace.get('longest_twice_days') or 0)} days"),
        ("start of the forecast", "" if after is None else f"{figure(after, 1)} %",
         ("reckoned from the session, " if pace.get("after_reckoned") else f"{began}, ")
         + f"standard deviation {figure(pace.get('after_sd_pct') or 0, 1)} points"),
        ("form of the model", str(pace.get("form", "")), "" if fit is None else
         f"fitted to {fit.n_gaps} gaps of {fit.n_people} people as of {full_day_words(fit.as_of)}"),
        ("made", full_day_words(forecast.made_at),
         f"as of {full_day_words(forecast.as_of)}; model {forecast.code_version}, "
         f"fit {'none' if fit is None else fit.pk}, data version {forecast.data_version}"),
    ]  # fmt: skip
    return tuple(rows)


def _results_used(patient: Patient, forecast: StoredForecast | None, today: date) -> tuple[str, ...]:
    """The newest results that the forecast rests on, in words."""
    keys = [] if forecast is None else list(forecast.results_used or ())
    rows = LabResult.objects.filter(patient=patient, pk__in=keys).order_by("-taken_on", "analyte")[:USED_RESULTS_SHOWN]
    return tuple(
        f"{row.get_analyte_display()} {row.value:g} {row.unit}, {day_words(row.taken_on, today)}" for row in rows
    )
