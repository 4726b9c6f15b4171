"""Everything the bedside page shows, folded from the plan and the entries. Fixed number of queries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from programme.bedside.numeric.balance import BalanceLimits, Judged, judged, judged_touch
from programme.bedside.numeric.bars import Bar, bar, scale_of
from programme.bedside.numeric.laid import drawn_for_good
from programme.bedside.numeric.passed_now import HOW, passed_now, stops_of
from programme.bedside.numeric.words import (
    ml,
    slow_words,
    stroke_sentence,
    stroke_title,
)
from programme.bedside.queries.board import Board, balance_limits, board_of
from programme.bedside.queries.run_rows import (
    Clash,
    LogRow,
    SlowStart,
    StepRow,
    UnitRow,
    clashes_of,
    slow_start_of,
    step_row,
)
from programme.bedside.queries.stands import ended_of
from programme.core.models import User
from programme.planning.numeric.limits import limits_for
from sessions.day.models import Prescription
from sessions.day.numeric.standing import EndedNow
from sessions.day.numeric.strokes import Stroke, coming
from sessions.day.numeric.tally import Tally
from sessions.day.numeric.unit_volumes import more_words, most_of_unit_ml, over_unit_words
from sessions.day.numeric.weighing import blood_density_g_ml, off_by_ml
from sessions.day.queries import STARTED
from sessions.models import ExchangeSession, Fluid, Method, UnitState


@dataclass(frozen=True, slots=True)
class Touch:
    """One touch to come, ready to be entered; `left` says what is left of its step."""

    stroke: Stroke
    title: str
    sentence: str
    left: str
    ready: bool  # its unit is started, or it needs none
    waits: str  # what its unit waits for


@dataclass(frozen=True, slots=True)
class Run(Board):
    """A session by hand: its touches to come, balance and volumes."""

    touches: tuple[Touch, ...]
    limits: BalanceLimits
    balance: Judged
    before_entering: Judged | None
    ended: EndedNow | None
    bar_in: Bar
    bar_out: Bar
    planned_in_ml: float
    planned_out_ml: float
    steps: tuple[StepRow, ...]
    clashes: tuple[Clash, ...]
    slow: SlowStart | None
    density_g_ml: float
    off_by_ml: float
    passed: tuple[str, ...]

    @property
    def passed_how(self) -> str:
        """How what is passed was judged."""
        return HOW

    @property
    def halt(self) -> str:
        """The page's heading while nothing is to be given; '' where the next touch may be made."""
        needs_cells = self.now is not None and self.now.stroke.fluid == Fluid.RED_CELLS
        barred = self.is_running and self.sign_open and needs_cells
        return self.pause_words or ("Stopped: possible haemolysis" if barred else self._hung_words)

    @property
    def _hung_words(self) -> str:
        """Where the next touch would give more of a unit that had to end; '' else."""
        late = next((unit for unit in self.hung if self.is_running and unit.place == self.place_next), None)
        if late is None or late.end_by is None:
            return ""
        end_by = late.end_by.astimezone(ZoneInfo(self.exchange_session.patient.site.time_zone))
        return f"Unit {late.place} had to end by {end_by:%H:%M}"

    @property
    def now(self) -> Touch | None:
        return self.touches[0] if self.touches else None

    @property
    def unit_now(self) -> UnitRow | None:
        """The unit to act on: one that is given and done, or had to end, else the one that the next touch waits for."""
        wanted = self.now.stroke.unit if self.now else None
        left = {touch.stroke.unit for touch in self.touches}
        for unit in self.units:
            if unit.state == UnitState.RUNNING and (unit.place not in left or unit in self.hung):
                return unit
        return next((unit for unit in self.units if unit.place == wanted and unit.state != UnitState.RUNNING), None)

    @property
    def place_next(self) -> int | None:
        """Of the unit that the next touch gives."""
        return self.now.stroke.unit if self.now else None

    @property
    def unit_ahead(self) -> str:
        """What speaks against so much of its unit as the next touch would make it; '' where nothing does."""
        unit = next((unit for unit in self.units if unit.place == self.place_next), None)
        if unit is None or self.now is None:
            return ""
        words = over_unit_words(unit.place, unit.given_ml + self.now.stroke.in_ml, _label_ml(unit))
        return f"{words}." if words else self._slow_ahead

    @property
    def _slow_ahead(self) -> str:
        """What entering the next touch would mean for the slow start of its unit; '' where it is no more than that."""
        slow, touch = self.slow, self.now
        if slow is None or slow.until is None or touch is None or touch.stroke.unit != slow.place:
            return ""
        until = slow.until.astimezone(ZoneInfo(self.exchange_session.patient.site.time_zone))
        return slow_words(slow.place, slow.given_ml + touch.stroke.in_ml, most_ml=slow.ml, until=f"{until:%H:%M}")

    @property
    def step_to_enter(self) -> int | None:
        """The step that a volume is entered for: the next touch's, else the last one."""
        if self.now is not None:
            return self.now.stroke.step
        return self.steps[-1].number if self.steps else None

    @property
    def current(self) -> StepRow | None:
        return next((row for row in self.steps if row.state == "now"), None)

    @property
    def last_undoable(self) -> LogRow | None:
        return next((row for row in self.log if row.can_undo), None)

    @property
    def bars(self) -> tuple[tuple[Bar, int], ...]:
        """Both bars, each with how far down it lies in the picture."""
        return ((self.bar_in, 0), (self.bar_out, 30))

    @property
    def ask_first(self) -> str:
        """What stands before the next touch while a stop is passed; it asks, and never blocks what is entered."""
        return "A stop is passed: ask the prescriber before this. " if self.passed else ""

    @property
    def planned_end(self) -> tuple[float, float] | None:
        """Hb [g/L] and HbS [%] at the end, as planned."""
        hb, hbs = self.plan.predicted.get("hb_settled") or self.plan.predicted.get("hb"), self.plan.predicted.get("hbs")
        return (hb[0], hbs[0]) if hb and hbs else None

    @property
    def coming(self) -> list[dict[str, Any]]:
        """The touches to come as the script shows them while the server cannot be reached."""
        holds = {unit.place: _holds(unit) for unit in self.units}
        return [
            {
                "step": touch.stroke.step,
                "unit": touch.stroke.unit,
                "cells": touch.stroke.fluid == Fluid.RED_CELLS,
                "out": round(touch.stroke.out_ml),
                "in": round(touch.stroke.in_ml),
                "title": touch.title,
                "sentence": self.ask_first + touch.sentence,
                "left": touch.left,
                "waits": touch.waits,
                "holds": holds.get(touch.stroke.unit or 0),
            }
            for touch in self.touches
        ]

    @property
    def balance_ml_per_kg(self) -> float:
        return self.tally.balance_ml / self.limits.weight_kg

    @property
    def balance_without_saline_ml_per_kg(self) -> float:
        return self.tally.balance_without_saline_ml / self.limits.weight_kg


def _label_ml(unit: UnitRow) -> float | None:
    return unit.row.volume_ml if unit.row else None


def _holds(unit: UnitRow) -> dict[str, Any]:
    """How much of a unit is given so far, how much is asked about, and in which words."""
    label_ml = _label_ml(unit)
    return {"given": unit.given_ml, "most": most_of_unit_ml(label_ml), "more": more_words(label_ml)}


def run_of(exchange_session: ExchangeSession, *, viewer: User, today: date, at: datetime) -> Run | None:
    """Return the bedside page of a session by hand; None where it never had a signed plan. Queries as `board_of`."""
    board = board_of(exchange_session, today=today, at=at)
    if board is None:
        return None
    plan, state, settings = board.plan, board.tally, board.settings
    flagged = exchange_session.patient.is_flagged
    touches = _touches(state, plan, board.units, gives_first=flagged)
    limits = balance_limits(plan, settings, flagged=flagged)
    ended = ended_of(plan, state, settings)
    planned_in = sum(step.planned.in_ml for step in state.steps)
    planned_out = sum(step.planned.out_ml for step in state.steps)
    scale = scale_of(planned_in, planned_out, state.in_ml, state.out_ml)
    first = touches[0].stroke if touches else None
    hb = ended.hb_at_once_g_l if ended else plan.hb_g_l
    return Run(
        **board.as_fields(),
        touches=touches,
        limits=limits,
        balance=judged(state.balance_ml, limits),
        before_entering=_before(first, state, limits),
        ended=ended,
        bar_in=bar(state.in_ml, planned_in, scale),
        bar_out=bar(state.out_ml, planned_out, scale),
        planned_in_ml=planned_in,
        planned_out_ml=planned_out,
        steps=tuple(step_row(step, state) for step in state.steps),
        clashes=clashes_of(state, board.log, board.entries, viewer),
        slow=slow_start_of(board.units, first.unit if first else None, settings, at) if board.is_running else None,
        density_g_ml=blood_density_g_ml(hb),
        off_by_ml=off_by_ml(max(planned_out, state.out_ml), hb),
        passed=_passed(exchange_session, plan, state, ended, settings) if board.is_running and state.moved else (),
    )


def _before(stroke: Stroke | None, state: Tally, limits: BalanceLimits) -> Judged | None:
    if stroke is None:
        return None
    return judged_touch(state.balance_ml, in_ml=stroke.in_ml, out_ml=stroke.out_ml, limits=limits)


def _passed(
    exchange_session: ExchangeSession,
    plan: Prescription,
    state: Tally,
    ended: EndedNow | None,
    settings: Mapping[str, float],
) -> tuple[str, ...]:
    """The stops that are passed by what was really done, and that nobody signed for."""
    flagged = exchange_session.patient.is_flagged
    stops = stops_of(
        limits_for(weight_kg=plan.weight_kg, organ_flag=flagged, settings=settings),
        hb_g_l=[plan.hb_g_l, *(step["hb"][0] for step in plan.steps if step.get("hb"))],
        saline_ml=sum(step.planned.in_ml for step in state.steps if step.planned.fluid == Fluid.SALINE),
        out_ml=sum(step.planned.out_ml for step in state.steps),
    )
    hb = None if ended is None else ended.hb_at_once_g_l
    return passed_now(stops, hb_g_l=hb, saline_ml=state.saline_in_ml, out_ml=state.out_ml)


def _touches(state: Tally, plan: Prescription, units: Sequence[UnitRow], *, gives_first: bool) -> tuple[Touch, ...]:
    states = {unit.place: unit.state for unit in units}
    left = {step.planned.number: step for step in state.steps}
    touches = []
    for_good = _for_good(state)
    for stroke in coming(state, one_arm=plan.method == Method.ONE_ARM, gives_first=gives_first):
        step = left[stroke.step]
        words = (
            f"Left in step {stroke.step}: in {ml(max(step.planned.in_ml - step.in_ml, 0))}, "
            f"out {ml(max(step.planned.out_ml - step.out_ml, 0))} mL."
        )
        is_ready = stroke.unit is None or states.get(stroke.unit) in STARTED
        waits = "" if is_ready else unit_waits(stroke.unit, states.get(stroke.unit or 0, ""))
        title = stroke_title(stroke, plan.units)
        sentence = stroke_sentence(stroke, for_good=stroke.step == for_good)
        touches.append(Touch(stroke, title, sentence, words, is_ready, waits))
    return tuple(touches)


def _for_good(state: Tally) -> int | None:
    """The last step of the plan where it is drawn and nothing is given back for it, else None."""
    if not state.steps:
        return None
    last, ends_ml = state.steps[-1].planned, sum(step.planned.in_ml - step.planned.out_ml for step in state.steps)
    return last.number if last.in_ml <= 0.0 and drawn_for_good(ends_ml, last.out_ml) else None


def unit_waits(place: int | None, state: str) -> str:
    """Return what a unit waits for before anything of it may be given."""
    if state == UnitState.CHECKED:
        return f"Unit {place} is checked, not started."
    if state == UnitState.AT_CHAIR:
        return f"Unit {place} is not checked yet: do not give it."
    return f"Unit {place} is not at the chair yet: do not give it."
