"""Suggestions and forecasts as the commands print and the replan stores them: plain objects, rounded once."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from programme.planning.inputs import as_date
from programme.planning.numeric import people as pp
from programme.planning.numeric.prescribe import NO_PLAN, STOP_HELD
from programme.planning.numeric.series import not_reached_words
from programme.planning.numeric.suggest import Suggestions

EMPTY_SESSION = {
    "units": None, "saline_ml": None, "red_cells_ml": None, "blood_out_ml": None, "steps": None,
    "predicted_hbs_pct": None, "predicted_hb_g_l": None,
}  # fmt: skip


CAUTION_WORDS = {0.75: "three quarters", 0.5: "half", 0.25: "a quarter"}


def plan_objects(
    patient_refs: Iterable[str], said: Suggestions, results_stale_days: float, *, caution: float = 1.0
) -> list[dict[str, Any]]:
    """Return each person's suggestion with every key of the printed plan; null where nothing can be said.

    caution: the share of the accepted chances that these suggestions were made with.
    """
    plain, wary = as_lists(said), [caution_sentence(caution)] if caution < 1.0 else []
    objects = [
        _plan_object(ref, plain, row, results_stale_days, session_object(said, row))
        for row, ref in enumerate(patient_refs)
    ]
    return [one if one["status"] != "ok" else one | {"warnings": [*wary, *one["warnings"]]} for one in objects]


def caution_sentence(caution: float) -> str:
    """Return what is said while suggestions plan with less than the accepted chance."""
    share = CAUTION_WORDS.get(caution, f"{100 * caution:.0f} in 100")
    return (
        "Of late more measured values lay above their forecasts than should: until forecasts hold again this is "
        f"planned with {share} of the accepted chance."
    )


def _plan_object(
    patient_ref: str, said: Any, row: int, results_stale_days: float, session: dict[str, Any]
) -> dict[str, Any]:
    reason = pp.reason_sentence(int(said.bar[row]), results_stale_days)
    last = as_date(said.last_day[row])
    printed: dict[str, Any] = {
        "patient_ref": patient_ref,
        "status": "ok" if reason is None else "unavailable",
        "reason": reason,
        "last_session": None if last is None else last.isoformat(),
        "threshold_hbs_pct": number(said.ceiling_pct[row], 1),
        "breach_risk": number(said.accepted_chance[row], 4),
        "drift_pct_per_day": None,
        "interval_days": None,
        "next_date": None,
        "latest_safe_date": None,
        "end_target_hbs_pct": None,
        "end_target_hb_g_l": None,
        "session": dict(EMPTY_SESSION),
        "warnings": [],
    }
    if reason is not None:
        return printed
    plan = said.plan
    return printed | {
        "drift_pct_per_day": number(said.pace_pct_per_day[row], 4),
        "interval_days": said.interval_days[row],
        "next_date": _iso(said.next_day[row]),
        "latest_safe_date": _iso(said.latest_safe_day[row]),
        "end_target_hbs_pct": number(said.end_target_pct[row], 1),
        "end_target_hb_g_l": number(plan.hb_settled_g_l[row], 1),
        "session": session,
        "warnings": list(_warnings(said, row)),
    }


def session_object(said: Suggestions, row: int) -> dict[str, Any]:
    """Return the suggested session: totals, steps in order, and medians after it."""
    plan = said.plan
    if plan.standing[row] == NO_PLAN:
        return dict(EMPTY_SESSION)
    steps = [
        {
            "fluid": "red_cells" if hb > 0 else "saline",
            "in_ml": number(in_ml, 0),
            "out_ml": number(out_ml, 0),
        }
        for in_ml, out_ml, hb in plan.steps(row)
    ]
    return {
        "units": int(plan.units[row]),
        "saline_ml": _total(steps, "saline", "in_ml"),
        "red_cells_ml": _total(steps, "red_cells", "in_ml"),
        "blood_out_ml": sum(step["out_ml"] or 0 for step in steps),
        "steps": steps,
        "predicted_hbs_pct": number(plan.hbs_after_pct[row], 1),
        "predicted_hb_g_l": number(plan.hb_settled_g_l[row], 1),
    }


def _warnings(said: Any, row: int) -> Iterable[str]:
    """Yield what a prescriber should know of this suggestion, a sentence each."""
    latest, due = said.latest_safe_day[row], said.next_day[row]
    if latest < due:
        yield f"The last safe day, {_words(latest)}, lies before the suggested {_words(due)}: come as soon as can be."
    if not said.next_is_open[row]:
        yield f"On {_words(due)} the unit is closed, or this person does not come then: choose a day beside it."
    if not said.held[row]:
        yield "No interval that may be chosen keeps the accepted chance with the units allowed: this is the nearest."
        if math.isfinite(said.holdable_pct[row]):
            yield f"The lowest ceiling that could be held within these limits is about {said.holdable_pct[row]:.0f} %."
    elif said.interval_after_days[row] < said.wanted_days[row]:
        yield (
            f"The usual {said.wanted_days[row]} days cannot be held within the limits; "
            f"planned are {said.interval_after_days[row]}."
        )
    standing = said.plan.standing[row]
    if standing == NO_PLAN:
        yield "No session keeps every limit: a prescriber sets units, saline and order."
    elif not said.plan.reached[row]:
        yield not_reached_words(
            int(said.series.sessions[row]), reached=bool(said.series.reached[row]),
            end_pct=float(said.plan.hbs_after_pct[row]), target_pct=float(said.end_target_pct[row]),
        )  # fmt: skip
    if standing == STOP_HELD:
        yield "A warning limit is passed, no stop: a prescriber gives the reason."
    if said.n_gaps[row] < 3:
        yield "Few gaps are on record: the pace leans on the programme's, and the range is wide."
    if said.after_source[row] != 0:
        yield "HbS after the last session was not measured; it is reckoned, with its uncertainty."


def forecast_object(
    patient_ref: str, last: date | None, days: list[int], seen: dict[str, Any] | None, hb: Any
) -> dict[str, Any]:
    """Return one person's forecast on days after the last session; null figures where nothing can be said.

    seen: p10, p50, p90 of the measured HbS for each of `days`; hb: median Hb for each. None without a session.
    """
    forecast = []
    for place, day in enumerate(days):
        on = None if last is None else (last + timedelta(days=day)).isoformat()
        figures = {
            f"hbs_{name}": None if seen is None else number(seen[name][place], 2) for name in ("p10", "p50", "p90")
        }
        forecast.append({"days": day, "date": on, **figures, "hb_p50": None if hb is None else number(hb[place], 1)})
    return {
        "patient_ref": patient_ref,
        "last_session": None if last is None else last.isoformat(),
        "forecast": forecast,
    }


def number(value: Any, places: int) -> float | int | None:
    """Return a plain rounded number; None for nan. Whole numbers come without a decimal point."""
    figure = float(value)
    if not math.isfinite(figure):
        return None
    return round(figure, places) + 0.0 if places else round(figure)


def numbers(values: ArrayLike, places: int) -> Any:
    """Return an array as lists of plain rounded numbers, as `number` gives them one by one."""
    rounded = np.round(np.asarray(values, dtype=float), places) + 0.0
    known = np.isfinite(rounded)
    if known.all():
        return (rounded if places else rounded.astype(np.int64)).tolist()
    plain = rounded.astype(object) if places else np.where(known, rounded, 0.0).astype(np.int64).astype(object)
    plain[~known] = None
    return plain.tolist()


def as_lists(record: Any) -> Any:
    """Return a record of arrays as one of lists of plain numbers, which Python reads one by one ten times faster.

    Fields and properties keep their names.
    """
    if isinstance(record, np.ndarray):
        return record.tolist()
    if is_dataclass(record):
        names = [field.name for field in fields(record)]
        names += [name for name, value in vars(type(record)).items() if isinstance(value, property)]
        return SimpleNamespace(**{name: as_lists(getattr(record, name)) for name in names})
    return record


def _total(steps: list[dict[str, Any]], fluid: str, what: str) -> int:
    return int(sum(step[what] or 0 for step in steps if step["fluid"] == fluid))


def _iso(ordinal: int) -> str | None:
    day = as_date(ordinal)
    return None if day is None else day.isoformat()


def _words(ordinal: int) -> str:
    day = date.fromordinal(int(ordinal))
    return f"{day.day} {day:%b %Y}"
