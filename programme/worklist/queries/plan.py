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
from programme.worklist.numeric.sheet import Sheet, SheetInputs, session_sheet, steps_words
from programme.worklist.numeric.words import capital, figure
from programme.worklist.queries.in_force import in_force
from programme.worklist.queries.who import Who, volume_of, who
from sessions.models import StoredForecast
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD
from sessions.queries import PersonRecord, people_inputs

BAR_PX = 108.0
Z80 = 2.0 * 1.2815515655446004  # widths in standard deviations from p10 to p90 of a normal spread


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the shown working."""

    words: str
    figure: str
    ground: str
    reckoned: bool = True


@dataclass(frozen=True, slots=True)
class Marginal:
    """What one unit more or less would do; `limit` says why there is no plan with this many."""

    units: int
    hbs_pct: float | None
    points: float | None
    hb_g_l: float | None
    chance: float | None
    over: bool
    out_ml: float | None
    bar_px: float
    chosen: bool
    limit: str

    @property
    def litres_out(self) -> str:
        return "" if self.out_ml is None else f"{self.out_ml / 1000:.2f}"


@dataclass(frozen=True, slots=True)
class LimitLine:
    """One limit: its name, what is said beneath it, and how far the session goes. state: 'ok', 'warn' or 'stop'."""

    name: str
    words: str
    reached: float | None
    allowed: float | None
    unit: str
    state: str


@dataclass(frozen=True, slots=True)
class PlanPage:
    """`state`: 'ok', 'locked', 'unavailable' (with `reason`) or 'none' where nothing was reckoned yet."""

    who: Who
    state: str
    reason: str
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
    alternatives: tuple[Mapping[str, Any], ...]
    warnings: tuple[str, ...]
    working: tuple[Line, ...]
    results_used: tuple[str, ...]

    @property
    def is_locked(self) -> bool:
        return self.state == "locked"


def plan_page(patient: Patient, *, on: date, at: datetime) -> PlanPage:
    """Return the plan of `patient` as stored, on the day `on` at the moment `at`."""
    settings = site_settings(patient.site, at)
    (record,) = people_inputs(patient.site, on, settings, patient_pks=(patient.pk,))
    suggestion = Suggestion.objects.filter(patient=patient).first()
    forecast = StoredForecast.objects.filter(patient=patient).first()
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
        stale=_stale(patient, suggestion, on),
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
        limits=tuple(_limit(row) for row in options.get("limits") or ()),
        marginal=_marginal(options, body, record.accepted_chance),
        target_px=_bar(body.get("end_target_hbs_pct"), _longest(options, body)),
        alternatives=tuple(options.get("alternatives") or ()),
        warnings=tuple(body.get("warnings") or ()),
        working=_working(record, start, sheet, working, settings) if start and sheet else (),
        results_used=tuple(working.get("results") or ()),
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


def _limit(row: Mapping[str, Any]) -> LimitLine:
    """Read a stored limit; its words name it before the first semicolon."""
    name, _, rest = (row.get("words") or row["name"]).partition("; ")
    return LimitLine(capital(name), rest, row.get("reached"), row.get("allowed"), row.get("unit") or "", row["state"])


def _chance_on(options: Mapping[str, Any], suggestion: Suggestion | None) -> float | None:
    if suggestion is None or suggestion.next_date is None:
        return None
    wanted = suggestion.next_date.isoformat()
    chances = {row["date"]: float(row["chance"]) for row in options.get("chances") or ()}
    return chances.get(wanted)


def _after_days(options: Mapping[str, Any], body: Mapping[str, Any]) -> int | None:
    """The interval after this session that its end target holds."""
    chosen = next((choice for choice in options.get("choices") or () if choice.get("suggested")), None)
    return chosen["interval_days"] if chosen else body.get("interval_days")


def _longest(options: Mapping[str, Any], body: Mapping[str, Any]) -> float:
    ends: list[float] = [row["hbs_pct"] for row in options.get("marginal") or () if row.get("hbs_pct") is not None]
    return max([*ends, float(body.get("end_target_hbs_pct") or 0.0), 1.0])


def _bar(value: float | None, longest: float) -> float:
    return 0.0 if value is None else round(BAR_PX * value / longest, 1)


def _marginal(options: Mapping[str, Any], body: Mapping[str, Any], accepted: float) -> tuple[Marginal, ...]:
    units = (body.get("session") or {}).get("units")
    longest = _longest(options, body)
    return tuple(
        Marginal(
            units=int(row["units"]),
            hbs_pct=row.get("hbs_pct"),
            points=row.get("points"),
            hb_g_l=row.get("hb_g_l"),
            chance=row.get("chance"),
            over=(row.get("chance") or 0.0) > accepted,
            out_ml=row.get("out_ml"),
            bar_px=_bar(row.get("hbs_pct"), longest),
            chosen=row["units"] == units,
            limit=row.get("limit") or "",
        )
        for row in options.get("marginal") or ()
    )


def _working(
    record: PersonRecord,
    start: SheetInputs,
    sheet: Sheet,
    working: Mapping[str, Any],
    settings: Mapping[str, float],
) -> tuple[Line, ...]:
    """Return the sums behind the sheet, with units and grounds."""
    outcome, iron = sheet.outcome, settings["iron_mg_per_g_hb"]
    rule = working.get("volume_rule") or volume_of(record)[1]
    personal = working.get("mixing_words") or (
        "as the formula: too few measured sessions to tell"
        if start.mixing == 1.0
        else "from this person’s own sessions"
    )
    given = outcome.donor_hb_given_g
    return (
        Line("blood volume, for limits and mL/kg", f"{start.blood_volume_ml / 1000:.2f} L", rule, reckoned=False),
        Line("mixes like, for HbS and Hb", f"{start.blood_volume_ml * start.mixing / 1000:.2f} L", personal),
        Line(
            "donor unit", f"{start.unit_volume_ml:g} mL, {start.unit_hb_g:g} g Hb",
            "site setting; give or take 5 g each", reckoned=False,
        ),
        Line(
            "own cells left", f"{outcome.own_cells_left_pct:.0f} %",
            f"by cell mass; HbS left {outcome.hbs_left_pct:.0f} % of before, which differs when Hb changes",
        ),
        Line(
            "net iron", f"{'+' if outcome.net_iron_mg > 0 else ''}{figure(outcome.net_iron_mg)} mg",
            f"{iron:g} mg for each gram of Hb in ({given:.0f}) less out ({given - outcome.net_iron_mg / iron:.0f})",
        ),
        Line(
            "of today’s donor Hb",
            f"{outcome.donor_hb_kept_pct:.0f} % kept",
            "the rest is drawn off again in later steps",
        ),
        Line(
            "Hb as it ends, and settled", f"{outcome.hb_post_g_l:.0f}, {outcome.hb_settled_g_l:.0f} g/L",
            "settled: once the volume has gone back to the blood volume",
        ),
    )  # fmt: skip
