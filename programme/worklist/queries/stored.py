"""What is stored for a person, read into plain values: forecast, lock, change of pace, suggestion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from programme.planning.models import Suggestion
from programme.planning.queries import chance_on
from programme.worklist.numeric.course import Forecast
from programme.worklist.queries.in_force import InForce


@dataclass(frozen=True, slots=True)
class Stored:
    """The parts of a person's stored forecast and suggestion that the list prints.

    chance_today: of the day that is asked about, also where the suggestion was made on an earlier one.
    """

    status: str
    reason: str
    stale: bool
    suggested_on: date | None
    earliest_on: date | None
    latest_safe_on: date | None
    chance_today: float | None
    chance_next: float | None  # on the suggested day
    locked: str
    flag: tuple[date, float, float] | None
    forecast: Forecast | None

    @classmethod
    def of(cls, patient: Any, force: InForce, today: date) -> Stored:
        suggestion = getattr(patient, "suggestion", None)
        forecast = getattr(patient, "forecast", None)
        stale = (suggestion is not None and force.suggestion_is_stale(suggestion, patient.data_version)) or (
            forecast is not None and force.forecast_is_stale(forecast, patient.data_version)
        )
        return cls(
            status="" if suggestion is None else suggestion.status,
            reason="" if suggestion is None else suggestion.reason,
            stale=stale,
            suggested_on=None if suggestion is None else suggestion.next_date,
            earliest_on=None if patient.earliest is None else date.fromisoformat(patient.earliest),
            latest_safe_on=None if suggestion is None else suggestion.latest_safe_date,
            chance_today=None if suggestion is None else _chance_today(suggestion, patient.chance_by_day, today),
            chance_next=None if suggestion is None else chance_on(patient.chance_by_day, suggestion.next_date),
            locked="" if forecast is None or not forecast.locked else forecast.locked["reason"],
            flag=None if forecast is None else read_flag(forecast.flag),
            forecast=None if forecast is None else read_forecast(forecast.last_on, forecast.days),
        )


def _chance_today(suggestion: Suggestion, by_day: Mapping[str, Any] | None, today: date) -> float | None:
    """A suggestion of an earlier day holds what was today then; what it foresaw of this day is beside it."""
    return suggestion.chance_today if suggestion.as_of == today else chance_on(by_day, today)


def read_flag(flag: Mapping[str, Any] | None) -> tuple[date, float, float] | None:
    """Return (day, pace before, pace now) of a stored change of pace."""
    return None if not flag else (date.fromisoformat(flag["on"]), float(flag["before"]), float(flag["now"]))


def read_forecast(last_on: date | None, days: Mapping[str, Any] | None) -> Forecast | None:
    """Return a stored forecast as plain values; None where there is none."""
    if last_on is None or not days or len(days["days"]) < 2:
        return None
    quantiles = {name: tuple(days[name]) for name in ("p10", "p25", "p50", "p75", "p90")}
    return Forecast(last_on.toordinal(), tuple(days["days"]), hb_p50=tuple(days.get("hb_p50") or ()), **quantiles)
