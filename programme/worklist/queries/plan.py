"""The plan of one person's next session as the page and the print show it. Reads only; fixed number of queries."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np

from patients.models import Patient
from programme.core.settings_of_site import site_settings
from programme.planning.models import Suggestion
from programme.planning.numeric.one_arm import ONE_ARM, TWO_ARM
from programme.planning.numeric.people import WhatIf
from programme.planning.queries import chance_on, what_if
from programme.worklist.numeric.sheet import Sheet, SheetInputs, session_sheet, steps_words
from programme.worklist.queries.in_force import in_force
from programme.worklist.queries.plan_rows import (
    LimitLine,
    Line,
    Marginal,
    SeriesLine,
    bar_px,
    limit_line,
    longest_bar,
    marginal_rows,
    series_lines,
    working_lines,
)
from programme.worklist.queries.who import Who, volume_of, who
from sessions.models import Method, StoredForecast
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD
from sessions.queries.in_hand import SessionInHand, sessions_in_hand
from sessions.queries.people import PersonRecord, people_inputs

Z80 = 2.0 * 1.2815515655446004  # widths in standard deviations from p10 to p90 of a normal spread


@dataclass(frozen=True, slots=True)
class PlanPage:
    """`state`: 'ok', 'locked', 'unavailable' (with `reason`) or 'none' where nothing was reckoned yet.

    by_machine: an automated session was decided for this person; what is suggested is reckoned by hand all the same.
    """

    who: Who
    state: str
    reason: str
    method: str
    method_asked: bool
    by_machine: bool
    stale: str
    made_at_local: datetime | None
    as_of: date | None
    units: int
    sheet: Sheet | None
    start: SheetInputs | None
    before_words: str
    steps_words: str
    next_date: date | None
    interval_days: int | None
    latest_safe_date: date | None
    chance: float | None
    accepted_chance: float
    after_days: int | None
    end_target_pct: float | None
    limits: tuple[LimitLine, ...]
    marginal: tuple[Marginal, ...]
    target_px: float
    series: tuple[SeriesLine, ...]
    alternatives: tuple[Mapping[str, Any], ...]
    warnings: tuple[str, ...]
    working: tuple[Line, ...]
    results_used: tuple[str, ...]
    today: date
    sessions: tuple[SessionInHand, ...]

    @property
    def may_be_planned(self) -> bool:
        """Whether a session can be planned for today: none is in hand for it, and nothing bars the person."""
        return not self.is_locked and all(row.on != self.today for row in self.sessions)

    @property
    def next_may_be_planned(self) -> bool:
        """Whether the suggested day is another day than today, and still without a session."""
        on = self.next_date
        return not self.is_locked and on is not None and on > self.today and all(row.on != on for row in self.sessions)

    @property
    def is_locked(self) -> bool:
        return self.state == "locked"

    @property
    def in_one_arm(self) -> bool:
        return self.method == ONE_ARM


def plan_page(patient: Patient, *, on: date, at: datetime, method: str = "") -> PlanPage:
    """Return the plan of `patient` as stored, on the day `on` at the moment `at`.

    method: 'one_arm' or 'two_arm' to see it planned so, whatever the access; '' as stored. Nothing is written.
    """
    settings = site_settings(patient.site, at)
    (record,) = people_inputs(patient.site, on, settings, patient_pks=(patient.pk,))
    suggestion = Suggestion.objects.filter(patient=patient).first()
    stored_method = _method(suggestion)
    asked = method in (ONE_ARM, TWO_ARM) and method != stored_method
    forecast = StoredForecast.objects.filter(patient=patient).first()
    stale = _stale(patient, suggestion, on)
    if asked and suggestion is not None and suggestion.status == "ok" and not (forecast and forecast.locked):
        suggestion = _planned_anew(patient, suggestion, on, one_arm=method == ONE_ARM)
    options = (suggestion.options or {}) if suggestion else {}
    working = options.get("working") or {}
    state, reason = _state(suggestion, forecast)
    start = _start(record, suggestion, forecast, working, settings) if state == "ok" and suggestion else None
    body = suggestion.body if suggestion else {}
    sheet = _sheet(body, start, settings) if start else None
    if state == "ok" and sheet is None:
        state, reason = "unavailable", _why_no_sheet(body, start)
    return PlanPage(
        who=who(patient, record, on, mixing=start.mixing if start and "mixing" in working else math.nan),
        state=state,
        reason=reason,
        method=_method(suggestion),
        method_asked=_method(suggestion) != stored_method,
        by_machine=record.method == Method.AUTOMATED,
        stale=stale,
        made_at_local=suggestion.made_at.astimezone(at.tzinfo) if suggestion else None,
        as_of=suggestion.as_of if suggestion else None,
        units=int((body.get("session") or {}).get("units") or 0),
        sheet=sheet,
        start=start,
        before_words=_before_words(suggestion, forecast, on),
        steps_words=steps_words(len(sheet.steps)) if sheet else "",
        next_date=suggestion.next_date if suggestion else None,
        interval_days=suggestion.interval_days if suggestion else None,
        latest_safe_date=suggestion.latest_safe_date if suggestion else None,
        chance=_chance_on(options, suggestion),
        accepted_chance=record.accepted_chance,
        after_days=_after_days(options, body),
        end_target_pct=body.get("end_target_hbs_pct"),
        limits=tuple(limit_line(row) for row in options.get("limits") or ()),
        marginal=marginal_rows(options, body, record.accepted_chance),
        target_px=bar_px(body.get("end_target_hbs_pct"), longest_bar(options, body)),
        series=series_lines(options),
        alternatives=tuple(options.get("alternatives") or ()),
        warnings=tuple(body.get("warnings") or ()),
        working=working_lines(record, start, sheet, working, settings) if start and sheet else (),
        results_used=tuple(working.get("results") or ()),
        today=on,
        sessions=sessions_in_hand(patient),
    )


def _method(suggestion: Suggestion | None) -> str:
    working = {} if suggestion is None else (suggestion.options or {}).get("working") or {}
    return str(working.get("method") or TWO_ARM)


def _planned_anew(patient: Patient, stored: Suggestion, on: date, *, one_arm: bool) -> Suggestion:
    """The suggestion as it would be with the other number of arms, unsaved."""
    body, options = what_if(patient, as_of=on, asked=WhatIf(one_arm=one_arm))
    day, latest = body["next_date"], body["latest_safe_date"]
    return Suggestion(
        patient=patient,
        made_at=stored.made_at,
        as_of=on,
        status=body["status"],
        reason=body["reason"] or "",
        next_date=date.fromisoformat(day) if day else None,
        latest_safe_date=date.fromisoformat(latest) if latest else None,
        interval_days=body["interval_days"],
        body=body,
        options=options,
    )


def _state(suggestion: Suggestion | None, forecast: StoredForecast | None) -> tuple[str, str]:
    if forecast is not None and forecast.locked:
        return "locked", str(forecast.locked["reason"])
    if suggestion is None:
        return "none", "Nothing has been reckoned for this person yet; the nightly replan makes the first plan."
    return suggestion.status, suggestion.reason


def _why_no_sheet(body: Mapping[str, Any], start: SheetInputs | None) -> str:
    if not ((body.get("session") or {}).get("steps")):
        return "No session keeps every limit; a prescriber decides."
    return "The figures before the session are missing, so it cannot be shown step by step."


def _stale(patient: Patient, suggestion: Suggestion | None, on: date) -> str:
    """Say what changed since the plan was made, '' where nothing did."""
    if suggestion is None:
        return ""
    force = in_force(patient.site, on)
    if not force.suggestion_is_stale(suggestion, patient.data_version):
        return ""
    if suggestion.data_version != patient.data_version:
        return "This person’s records changed after this plan was made."
    if suggestion.code_version != force.plan_version:
        return "The way of reckoning changed after this plan was made."
    return "The programme’s fit was renewed after this plan was made."


def _start(
    record: PersonRecord,
    suggestion: Suggestion,
    forecast: StoredForecast | None,
    working: Mapping[str, Any],
    settings: Mapping[str, float],
) -> SheetInputs | None:
    """Return what the session starts from: as the planner took it, else from the stored forecast for the day."""
    found = {**_forecast_on(forecast, suggestion.next_date), **{k: v for k, v in working.items() if v is not None}}
    volume = found.get("blood_volume_ml", volume_of(record)[0])
    if "hbs_before_pct" not in found or "hb_before_g_l" not in found or math.isnan(volume):
        return None
    return SheetInputs(
        blood_volume_ml=volume,
        weight_kg=record.weight_kg,
        hb_g_l=found["hb_before_g_l"],
        hbs_pct=found["hbs_before_pct"],
        hb_sd_g_l=found.get("hb_before_sd_g_l", settings["hb_assay_sd_g_l"]),
        hbs_sd_pct=found.get("hbs_before_sd_pct", settings["hbs_assay_sd_pct"]),
        mixing=found.get("mixing", 1.0),
        mixing_rel_sd=found.get("mixing_rel_sd", BLOOD_VOLUME_REL_SD),
        unit_volume_ml=found.get("unit_volume_ml", settings["unit_volume_ml"]),
        unit_hb_g=found.get("unit_hb_g", settings["unit_hb_g"]),
        flagged=record.is_flagged,
        one_arm=found.get("method") == ONE_ARM,
    )


def _forecast_on(forecast: StoredForecast | None, day: date | None) -> dict[str, float]:
    if forecast is None or not forecast.days or forecast.last_on is None or day is None:
        return {}
    days, ahead = forecast.days["days"], (day - forecast.last_on).days
    p10, p50, p90 = (float(np.interp(ahead, days, forecast.days[name])) for name in ("p10", "p50", "p90"))
    found = {"hbs_before_pct": p50, "hbs_before_sd_pct": (p90 - p10) / Z80}
    hb = forecast.days.get("hb_p50")
    if hb and hb[0] is not None:
        found["hb_before_g_l"] = float(np.interp(ahead, days, hb))
    return found


def _sheet(body: Mapping[str, Any], start: SheetInputs, settings: Mapping[str, float]) -> Sheet | None:
    session = body.get("session") or {}
    if not session.get("steps"):
        return None
    return session_sheet(session["steps"], start, settings, units=int(session.get("units") or 0))


def _before_words(suggestion: Suggestion | None, forecast: StoredForecast | None, on: date) -> str:
    if suggestion is None or suggestion.next_date is None:
        return ""
    when = suggestion.next_date
    words = "today" if when == on else f"for {when:%a} {when.day} {when:%b}"
    after = f", from results up to {suggestion.as_of.day} {suggestion.as_of:%b %Y}"
    return f"Before, forecast {words}{after if forecast is not None else ''}"


def _chance_on(options: Mapping[str, Any], suggestion: Suggestion | None) -> float | None:
    return None if suggestion is None else chance_on(options.get("chance_by_day"), suggestion.next_date)


def _after_days(options: Mapping[str, Any], body: Mapping[str, Any]) -> int | None:
    """The interval after this session that its end target holds."""
    chosen = next((choice for choice in options.get("choices") or () if choice.get("suggested")), None)
    return chosen["interval_days"] if chosen else body.get("interval_days")
