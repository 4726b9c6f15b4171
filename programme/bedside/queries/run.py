"""Everything the bedside page shows, folded from the plan and the entries. Fixed number of queries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from programme.bedside.numeric.balance import BalanceLimits, Judged, judged, judged_touch
from programme.bedside.numeric.bars import Bar, bar, scale_of
from programme.bedside.numeric.words import (
    entry_words,
    ml,
    step_name,
    stroke_sentence,
    stroke_title,
    vitals_words,
)
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from programme.planning.numeric.limits import limits_for
from programme.worklist.queries.who import Blood, blood_needed
from sessions.day.models import Entry, Prescription
from sessions.day.numeric.clocks import Due, next_observations, unit_starts
from sessions.day.numeric.entries import MOVED, TIME
from sessions.day.numeric.naming import TIMED, UNDOABLE
from sessions.day.numeric.standing import TENTH, EndedNow, ended_now
from sessions.day.numeric.strokes import Stroke, coming
from sessions.day.numeric.tally import StepSoFar, Tally, tally
from sessions.day.numeric.weighing import blood_density_g_ml, off_by_ml
from sessions.day.queries import plan_carried_out, planned_steps, said_of
from sessions.models import DonationUnit, ExchangeSession, Fluid, Method, State, UnitState
from sessions.numeric.exchange import Start

READY = (UnitState.CHECKED, UnitState.RUNNING, UnitState.GIVEN)


@dataclass(frozen=True, slots=True)
class Touch:
    """One touch to come, ready to be entered; `left` says what is left of its step."""

    stroke: Stroke
    title: str
    sentence: str
    left: str
    ready: bool  # its unit is checked, or it needs none


@dataclass(frozen=True, slots=True)
class StepRow:
    number: int
    name: str
    planned: str
    done: str
    started_at: datetime | None
    ended_at: datetime | None
    state: str  # done, now or waits


@dataclass(frozen=True, slots=True)
class UnitRow:
    """One unit at the chair; `row` None where the plan asks for one that is not here yet."""

    place: int
    row: DonationUnit | None
    checked_by: str
    given_ml: float
    started_at: datetime | None
    ended_at: datetime | None
    state: str

    @property
    def state_words(self) -> str:
        return UnitState(self.state).label if self.state else "not here yet"


@dataclass(frozen=True, slots=True)
class LogRow:
    """One entry as said; `happened_at` as put right. `instead` is the time it first had, where that was put right."""

    number: int
    words: str
    happened_at: datetime
    by: str
    why: str
    waited: bool
    undone: bool
    can_undo: bool
    can_time: bool
    instead: datetime | None


@dataclass(frozen=True, slots=True)
class Clash:
    """Two volume entries by people who did not see each other's."""

    first: LogRow
    second: LogRow
    mine: int | None  # the one that the person who looks made


@dataclass(frozen=True, slots=True)
class Run:
    exchange_session: ExchangeSession
    plan: Prescription
    blood: Blood
    settings: Mapping[str, float]
    tally: Tally
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
    units: tuple[UnitRow, ...]
    log: tuple[LogRow, ...]
    clashes: tuple[Clash, ...]
    due: Due | None
    last_seen: str
    last_seen_at: datetime | None
    density_g_ml: float
    off_by_ml: float

    @property
    def is_running(self) -> bool:
        return self.exchange_session.state == State.RUNNING

    @property
    def now(self) -> Touch | None:
        return self.touches[0] if self.touches else None

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
    def planned_end(self) -> tuple[float, float] | None:
        """Hb [g/L] and HbS [%] at the end, as planned."""
        hb, hbs = self.plan.predicted.get("hb_settled") or self.plan.predicted.get("hb"), self.plan.predicted.get("hbs")
        return (hb[0], hbs[0]) if hb and hbs else None

    @property
    def coming(self) -> list[dict[str, Any]]:
        """The touches to come as the script shows them while the server cannot be reached."""
        return [
            {
                "step": touch.stroke.step,
                "unit": touch.stroke.unit,
                "cells": touch.stroke.fluid == Fluid.RED_CELLS,
                "out": round(touch.stroke.out_ml),
                "in": round(touch.stroke.in_ml),
                "title": touch.title,
                "sentence": touch.sentence,
                "left": touch.left,
                "ready": touch.ready,
            }
            for touch in self.touches
        ]

    @property
    def balance_ml_per_kg(self) -> float:
        return self.tally.balance_ml / self.limits.weight_kg

    @property
    def balance_without_saline_ml_per_kg(self) -> float:
        return self.tally.balance_without_saline_ml / self.limits.weight_kg


def run_of(exchange_session: ExchangeSession, *, viewer: User, today: date, at: datetime) -> Run | None:
    """Return the bedside page of a session; None where it never had a signed plan. Eight queries."""
    plan = plan_carried_out(exchange_session)
    if plan is None:
        return None
    settings = site_settings(exchange_session.patient.site, at)
    entries = list(Entry.objects.filter(exchange_session=exchange_session).select_related("by").order_by("number"))
    state = tally(planned_steps(plan.steps), [said_of(entry) for entry in entries])
    rows = DonationUnit.objects.filter(exchange_session=exchange_session).order_by("place")
    units = _units(list(rows.select_related("first_checker", "second_checker")), plan, state)
    touches = _touches(state, plan, units)
    limits = _limits(plan, settings)
    ended = _ended(plan, state, settings)
    log = _log(entries, state)
    planned_in = sum(step.planned.in_ml for step in state.steps)
    planned_out = sum(step.planned.out_ml for step in state.steps)
    scale = scale_of(planned_in, planned_out, state.in_ml, state.out_ml)
    first = touches[0].stroke if touches else None
    hb = ended.hb_at_once_g_l if ended else plan.hb_g_l
    seen = max(state.observations, key=lambda said: said.happened_at, default=None)
    return Run(
        exchange_session=exchange_session,
        plan=plan,
        blood=blood_needed(exchange_session.patient, today),
        settings=settings,
        tally=state,
        touches=touches,
        limits=limits,
        balance=judged(state.balance_ml, limits),
        before_entering=_before(first, state, limits),
        ended=ended,
        bar_in=bar(state.in_ml, planned_in, scale),
        bar_out=bar(state.out_ml, planned_out, scale),
        planned_in_ml=planned_in,
        planned_out_ml=planned_out,
        steps=tuple(_step(step, state) for step in state.steps),
        units=units,
        log=log,
        clashes=_clashes(state, log, entries, viewer),
        due=_due(exchange_session, state, settings),
        last_seen=vitals_words(seen.body) if seen else "",
        last_seen_at=seen.happened_at if seen else None,
        density_g_ml=blood_density_g_ml(hb),
        off_by_ml=off_by_ml(max(planned_out, state.out_ml), hb),
    )


def _before(stroke: Stroke | None, state: Tally, limits: BalanceLimits) -> Judged | None:
    if stroke is None:
        return None
    return judged_touch(state.balance_ml, in_ml=stroke.in_ml, out_ml=stroke.out_ml, limits=limits)


def _due(exchange_session: ExchangeSession, state: Tally, settings: Mapping[str, float]) -> Due | None:
    if exchange_session.started_at is None or exchange_session.state != State.RUNNING:
        return None
    return next_observations(
        state,
        started_at=exchange_session.started_at,
        interval_min=settings["observation_interval_min"],
        slow_first_min=settings["slow_first_min"],
    )


def _limits(plan: Prescription, settings: Mapping[str, float]) -> BalanceLimits:
    found = limits_for(weight_kg=plan.weight_kg, settings=settings)
    return BalanceLimits(
        under_ml=float(found.draw_stop_ml[0]), over_ml=float(found.balance_stop_ml[0]), weight_kg=plan.weight_kg
    )


def _ended(plan: Prescription, state: Tally, settings: Mapping[str, float]) -> EndedNow | None:
    """Where it stands, from the figures the plan was made on; forecast HbS is as wide as its forecast."""
    hbs_sd = settings["hbs_assay_sd_pct"]
    spread = (plan.inputs.get("hbs") or {}).get("forecast")
    if plan.hbs_is_forecast and spread:
        hbs_sd = (spread[1] - spread[0]) / (2 * TENTH)
    return ended_now(
        Start(plan.blood_volume_ml, plan.hb_g_l, plan.hbs_pct, plan.weight_kg),
        state.as_steps(),
        mixing=plan.mixing_volume_ml / plan.blood_volume_ml,
        hb_sd_g_l=settings["hb_assay_sd_g_l"],
        hbs_sd_pct=hbs_sd,
    )


def _touches(state: Tally, plan: Prescription, units: Sequence[UnitRow]) -> tuple[Touch, ...]:
    ready = {unit.place for unit in units if unit.state in READY}
    left = {step.planned.number: step for step in state.steps}
    touches = []
    for stroke in coming(state, one_arm=plan.method == Method.ONE_ARM):
        step = left[stroke.step]
        words = (
            f"Left in step {stroke.step}: in {ml(max(step.planned.in_ml - step.in_ml, 0))}, "
            f"out {ml(max(step.planned.out_ml - step.out_ml, 0))} mL."
        )
        is_ready = stroke.unit is None or stroke.unit in ready
        title = stroke_title(stroke, plan.units)
        touches.append(Touch(stroke, title, stroke_sentence(stroke), words, is_ready))
    return tuple(touches)


def _step(step: StepSoFar, state: Tally) -> StepRow:
    planned = step.planned
    current = state.current
    now = current is not None and current.planned.number == planned.number
    return StepRow(
        number=planned.number,
        name=step_name(planned),
        planned=f"{ml(planned.in_ml)} / {ml(planned.out_ml)}",
        done=f"{ml(step.in_ml)} / {ml(step.out_ml)}",
        started_at=step.started_at,
        ended_at=step.ended_at,
        state="done" if step.done else "now" if now else "waits",
    )


def initials(name: str) -> str:
    return "".join(part[0] for part in name.replace(".", " ").split() if part)[:3].upper()


def _units(rows: Sequence[DonationUnit], plan: Prescription, state: Tally) -> tuple[UnitRow, ...]:
    by_place = {row.place: row for row in rows}
    planned = {place for step in state.steps for place in step.planned.units}
    started = unit_starts(state)
    found = []
    for place in sorted(planned | set(by_place)):
        row = by_place.get(place)
        times = state.units.get(place)
        checkers = [row.first_checker, row.second_checker] if row else []
        found.append(
            UnitRow(
                place=place,
                row=row,
                checked_by=", ".join(initials(user.full_name) for user in checkers if user),
                given_ml=times.in_ml if times else 0.0,
                started_at=(row.started_at if row else None) or started.get(place),
                ended_at=(row.ended_at if row else None) or (times.ended_at if times else None),
                state=row.state if row else "",
            )
        )
    return tuple(found)


def _log(entries: Sequence[Entry], state: Tally) -> tuple[LogRow, ...]:
    """Newest first."""
    fixes = {
        entry.body["number"]: datetime.fromisoformat(entry.body["happened_at"])
        for entry in entries
        if entry.kind == TIME and entry.number not in state.undone
    }
    rows = []
    for entry in reversed(entries):
        undone = entry.number in state.undone
        fixed = fixes.get(entry.number)
        rows.append(
            LogRow(
                number=entry.number,
                words=entry_words(entry.kind, entry.body),
                happened_at=fixed or entry.happened_at,
                by=initials(entry.by.full_name),
                why=entry.why,
                waited=entry.waited,
                undone=undone,
                can_undo=entry.kind in UNDOABLE and not undone,
                can_time=entry.kind in TIMED and not undone,
                instead=entry.happened_at if fixed else None,
            )
        )
    return tuple(rows)


def _clashes(state: Tally, log: Sequence[LogRow], entries: Sequence[Entry], viewer: User) -> tuple[Clash, ...]:
    rows = {row.number: row for row in log}
    by = {entry.number: entry.by_id for entry in entries if entry.kind == MOVED}
    return tuple(
        Clash(rows[one], rows[two], next((n for n in (two, one) if by[n] == viewer.pk), None))
        for one, two in state.conflicts
    )
