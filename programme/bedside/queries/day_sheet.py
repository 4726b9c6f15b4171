"""The sheet of one plan: its steps in words, what they come to, and the limits, ready to print."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from programme.bedside.queries.known import Known
from programme.planning.numeric.draws import draws_words
from programme.worklist.numeric.sheet import duration_words, steps_words
from programme.worklist.queries.plan_rows import LimitLine, limit_line
from sessions.day.models import Prescription
from sessions.day.numeric.draft import PlanDraft, limit_words, passed, totals, unbreakable
from sessions.day.numeric.durations import minutes_a_unit
from sessions.models import Method


@dataclass(frozen=True, slots=True)
class StepLine:
    """One line of the sheet. hb, hbs: middle, low and high after it; of_draws such as '3 × 100, 50'."""

    number: int
    give: str
    why: str
    in_ml: float
    out_ml: float
    of_draws: str
    balance_ml: float
    balance_ml_per_kg: float
    hb: tuple[float, float, float]
    hbs: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class PassedLimit:
    """A limit that the plan passes, and the field in which a prescriber gives the reason."""

    name: str
    words: str
    hard: bool

    @property
    def field(self) -> str:
        return f"reason-{self.name}"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A plan laid out: stored, or as typed. predicted, limits: as stored."""

    steps: tuple[StepLine, ...]
    units: int
    saline_ml: float
    red_cells_ml: float
    in_ml: float
    out_ml: float
    hb_g_l: float
    hbs_pct: float
    hbs_after: float | None
    hb_after: float | None
    duration: str
    steps_words: str
    before_words: str
    without_saline_ml: float
    limits: tuple[LimitLine, ...]
    passed: tuple[PassedLimit, ...]
    method: str
    observations: int  # sets that fall due: before, after the slow start of each unit, at the interval, at the end

    @property
    def litres_out(self) -> str:
        return f"{self.out_ml / 1000:.2f}"

    @property
    def one_arm(self) -> bool:
        return self.method == Method.ONE_ARM

    @property
    def automated(self) -> bool:
        return self.method == Method.AUTOMATED


def sheet_of(shown: Prescription | PlanDraft, known: Known) -> Sheet:
    """Return a plan, stored or as typed, laid out for page and paper; no query."""
    saline, cells, out = totals(shown.steps)
    steps, predicted = shown.steps, shown.predicted
    settings = known.settings
    minutes = shown.units * minutes_a_unit(shown.method, settings)
    return Sheet(
        steps=tuple(_line(step, shown) for step in steps),
        units=shown.units,
        saline_ml=saline,
        red_cells_ml=cells,
        in_ml=saline + cells,
        out_ml=out,
        hb_g_l=shown.hb_g_l,
        hbs_pct=shown.hbs_pct,
        hbs_after=(predicted.get("hbs") or [None])[0],
        hb_after=(predicted.get("hb_settled") or [None])[0],
        duration=duration_words(
            minutes,
            settings["hours_rest"],
            "on the machine" if shown.method == Method.AUTOMATED else "by hand",
        ),
        steps_words=steps_words(len(steps)),
        before_words=_before_words(shown, known),
        without_saline_ml=float(steps[-1].get("without_saline_ml") or 0.0),
        limits=tuple(limit_line(row) for row in shown.limits),
        passed=tuple(
            PassedLimit(row["name"], limit_words(row), row in unbreakable(shown.limits)) for row in passed(shown.limits)
        ),
        method=shown.method,
        observations=2 + shown.units + int(minutes // settings["observation_interval_min"]),
    )


def _line(step: Mapping[str, Any], shown: Prescription | PlanDraft) -> StepLine:
    balance = float(step.get("balance_ml") or 0.0)
    spread = (math.nan, math.nan, math.nan)
    return StepLine(
        number=step["number"],
        give=_give(step, shown.method),
        why=step.get("why") or "",
        in_ml=step["in_ml"],
        out_ml=step["out_ml"],
        of_draws=draws_words(step.get("draws") or ()),
        balance_ml=balance,
        balance_ml_per_kg=balance / shown.weight_kg,
        hb=tuple(step.get("hb") or spread),
        hbs=tuple(step.get("hbs") or spread),
    )


def _give(step: Mapping[str, Any], method: str) -> str:
    if not step["in_ml"]:
        return "Draw" if method == Method.ONE_ARM else "Draw only"
    if step["fluid"] == "saline":
        return "Saline"
    places = list(step.get("units") or ())
    if len(places) < 2:
        return f"Red cells, unit {places[0]}" if places else "Red cells"
    joined = f"{places[0]} and {places[1]}" if len(places) == 2 else f"{places[0]} to {places[-1]}"
    return f"Red cells, units {joined}"


def _before_words(shown: Prescription | PlanDraft, known: Known) -> str:
    hb = shown.inputs.get("hb") or {}
    if not hb.get("result"):
        return "Before, expected"
    if known.hb is not None and known.hb.pk == hb["result"] and round(known.hb.value) != round(shown.hb_g_l):
        return f"Before, Hb as typed{', HbS forecast' if shown.hbs_is_forecast else ''}"
    taken = datetime.fromisoformat(hb["taken_at"]).astimezone(known.at.tzinfo)
    when = f"{taken:%H:%M} today" if taken.date() == known.at.date() else f"{taken.day} {taken:%b, %H:%M}"
    return f"Before, Hb measured {when}{', HbS forecast' if shown.hbs_is_forecast else ''}"
