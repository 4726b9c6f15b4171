"""A suggestion, stored or asked for, in words and figures ready to print: days, session, grid and three choices."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from programme.planning.queries import chance_on
from programme.worklist.numeric.riskgrid import GridRow, longest_within, risk_grid
from programme.worklist.numeric.words import capital, chance_words, day_words, figure
from sessions.numeric.mixing import bound_words

WORKING_WORDS: dict[str, tuple[str, str, int]] = {
    "blood_volume_ml": ("blood volume", "mL", 0),
    "volume_rule": ("by the rule of", "", 0),
    "mixing": ("mixes like this share of it", "", 2),
    "mixing_sd": ("standard deviation of that share", "", 3),
    "mixing_words": ("known from", "", 0),
    "hbs_before_pct": ("HbS forecast for the suggested day", "%", 1),
    "hbs_before_sd_pct": ("its standard deviation", "points", 1),
    "hb_before_g_l": ("Hb forecast for the suggested day", "g/L", 0),
    "hb_before_sd_g_l": ("its standard deviation", "g/L", 1),
    "chance_next": ("over the ceiling on the suggested day", "in 100", 0),
    "chance_next_attended": ("the same, allowing for those who come late", "in 100", 0),
    "unit_volume_ml": ("volume of a unit", "mL", 0),
    "unit_hb_g": ("Hb in a unit", "g", 0),
    "longest_allowed_days": ("longest interval that may be suggested", "days", 0),
}
"""What the working says, in words: label, unit, decimals."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One of three ways to hold the ceiling, at its own steady state; chances are in 100."""

    letter: str
    name: str
    why: str
    suggested: bool
    interval_days: int
    end_target: str
    units: str
    over_visit: str
    over_year: str
    days_over: str
    visits_year: str
    units_year: str
    iron_year: str


@dataclass(frozen=True, slots=True)
class Suggested:
    """What is suggested for one person. Empty texts where nothing is said; iron is mg per kg a year."""

    ok: bool
    reason: str
    ceiling: str
    accepted: str
    next_day: str
    next_is_late: bool
    latest_safe: str
    latest_is_past: bool
    latest_is_longest: bool  # where the longest interval ends, and the chance is still within the accepted one
    interval_days: int
    chance_next: str
    chance_today: str
    today_is_over: bool
    end_target: str
    end_hb: str
    units: str
    predicted: str
    warnings: tuple[str, ...]
    grid: tuple[GridRow, ...]
    grid_ends: tuple[str, ...]
    choices: tuple[Choice, ...]
    working: tuple[tuple[str, str], ...]

    @property
    def has_figures(self) -> bool:
        return self.ok and bool(self.next_day)


def suggested(
    body: Mapping[str, Any], options: Mapping[str, Any] | None, *, today: date, weight_kg: float
) -> Suggested:
    """Return the words for one planner's object and its options, as on a day."""
    options = options or {}
    by_day = options.get("chance_by_day")
    next_on, safe_on = _date(body.get("next_date")), _date(body.get("latest_safe_date"))
    accepted = body.get("breach_risk") or 0.0
    today_chance = chance_on(by_day, today)
    session = body.get("session") or {}
    grid = options.get("grid") or {}
    made = options.get("choices") or ()
    return Suggested(
        ok=body.get("status") == "ok",
        reason=body.get("reason") or "",
        ceiling=_plain(body.get("threshold_hbs_pct")),
        accepted=f"{100 * accepted:g}",
        next_day="" if next_on is None else day_words(next_on, today),
        next_is_late=next_on is not None and safe_on is not None and next_on > safe_on,
        latest_safe="" if safe_on is None else day_words(safe_on, today),
        latest_is_past=safe_on is not None and safe_on < today,
        latest_is_longest=_ends_with_the_longest(body, options.get("working") or {}),
        interval_days=int(body.get("interval_days") or 0),
        chance_next="" if next_on is None else _chance(chance_on(by_day, next_on)),
        chance_today=_chance(today_chance),
        today_is_over=today_chance is not None and today_chance > accepted,
        end_target=_one(body.get("end_target_hbs_pct")),
        end_hb=_whole(body.get("end_target_hb_g_l")),
        units=_plain(session.get("units")),
        predicted=_one(session.get("predicted_hbs_pct")),
        warnings=tuple(body.get("warnings") or ()),
        grid=_grid(grid, accepted, made),
        grid_ends=tuple(f"{end:g}" for end in grid.get("ends") or ()),
        choices=tuple(_choice(row, weight_kg) for row in made),
        working=_working(options.get("working") or {}, int(body.get("interval_days") or 0)),
    )


def longest_for_end(options: Mapping[str, Any] | None, accepted: float, end: float) -> tuple[int, str] | None:
    """Return the longest interval of the grid that ending at `end` holds, and its chance in words."""
    grid = (options or {}).get("grid") or {}
    if not grid:
        return None
    found = longest_within(grid["days"], grid["ends"], grid["chance"], accepted, end)
    return None if found is None else (found[0], chance_words(found[1]))


def _grid(grid: Mapping[str, Any], accepted: float, choices: Sequence[Mapping[str, Any]]) -> tuple[GridRow, ...]:
    if not grid or not grid.get("days"):
        return ()
    placed = [(row["letter"], row["interval_days"], row["end_target_pct"]) for row in choices]
    return risk_grid(grid["days"], grid["ends"], grid["chance"], accepted, placed)


def _choice(row: Mapping[str, Any], weight_kg: float) -> Choice:
    iron = row.get("iron_year_mg_per_kg")
    if iron is None and row.get("iron_year_mg") is not None and weight_kg > 0:
        iron = row["iron_year_mg"] / weight_kg
    return Choice(
        letter=row["letter"],
        name=capital(row["name"]),
        why=row.get("why") or "",
        suggested=bool(row.get("suggested")),
        interval_days=int(row["interval_days"]),
        end_target=_one(row["end_target_pct"]),
        units=_plain(row.get("units")),
        over_visit=_chance(row.get("over_visit")),
        over_year=_chance(row.get("over_year")),
        days_over=_days(row.get("days_over")),
        visits_year=_whole(row.get("visits_year")),
        units_year=_whole(row.get("units_year")),
        iron_year=_whole(iron),
    )


def _working(working: Mapping[str, Any], interval_days: int) -> tuple[tuple[str, str], ...]:
    """Figures and sentences of the working in words, with what is held at a bound; the rest is left to the plan."""
    rows, bounds = [], _bounds(working, interval_days)
    for name, (words, unit, places) in WORKING_WORDS.items():
        value = working.get(name)
        if isinstance(value, str):
            rows.append((words, value))
        elif value is not None:
            shown = 100 * value if unit == "in 100" else value
            said = f"{figure(shown, places)} {unit}".rstrip()
            rows.append((words, ", ".join(filter(None, (said, bounds.get(name))))))
    return tuple(rows)


def _ends_with_the_longest(body: Mapping[str, Any], working: Mapping[str, Any]) -> bool:
    last_on, safe_on = _date(body.get("last_session")), _date(body.get("latest_safe_date"))
    longest = working.get("longest_allowed_days")
    return bool(last_on and safe_on and longest and (safe_on - last_on).days >= longest)


def _bounds(working: Mapping[str, Any], interval_days: int) -> dict[str, str]:
    """What to say of a figure that stands at the end of what it may be, as if it had been found there."""
    longest = working.get("longest_allowed_days")
    return {
        "mixing": bound_words(float(working.get("mixing") or math.nan)),
        "longest_allowed_days": "and the interval stands at it" if longest and interval_days >= longest else "",
    }


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _chance(value: float | None) -> str:
    return "" if value is None else chance_words(value)


def _days(value: float | None) -> str:
    """Days a year: whole, and one decimal under ten."""
    return "" if value is None else figure(value, 0 if value >= 10 else 1)


def _one(value: float | None) -> str:
    return "" if value is None else figure(value, 1)


def _whole(value: float | None) -> str:
    return "" if value is None else figure(value)


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
