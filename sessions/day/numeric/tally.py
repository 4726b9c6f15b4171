"""Where a session stands: the plan, and everything entered so far, folded into one value.

The entries are the only record; nothing here is stored. An entry that was undone no longer counts, one whose time was
put right counts at that time, and the order of volumes is the order in which they were entered: one that waited in a
browser stands where it was made, one put right afterwards where the wrong one stood.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sessions.day.numeric.entries import (
    BOTH,
    MOVED,
    OBSERVATION,
    PAUSE,
    REACTION,
    RESUME,
    START_CHECK,
    STEP_DONE,
    STOPPED_FOR_A_REACTION,
    TIME,
    TOTALS,
    UNDO,
    UNIT_ENDED,
    UNIT_STARTED,
    Said,
)
from sessions.day.numeric.machine import Totals
from sessions.numeric.exchange import Step


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step of the plan in force; units are places of donation units, empty for saline; draws add up to out_ml."""

    number: int
    fluid: str
    in_ml: float
    out_ml: float
    units: tuple[int, ...] = ()
    cells_hb_g_l: float = 0.0
    draws: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class StepSoFar:
    """A planned step and what was done of it [mL]; `done` once said so, or once about as much moved as planned."""

    planned: PlannedStep
    in_ml: float
    out_ml: float
    started_at: datetime | None
    ended_at: datetime | None
    done: bool


@dataclass(frozen=True, slots=True)
class Moved:
    """One volume entry that counts."""

    number: int
    step: int
    fluid: str
    in_ml: float
    out_ml: float
    unit: int | None
    cells_hb_g_l: float
    at: datetime
    by: int
    order: float = 0.0


@dataclass(frozen=True, slots=True)
class UnitTimes:
    """When a unit was started and ended at the bedside, and what went in of it [mL]."""

    started_at: datetime | None = None
    ended_at: datetime | None = None
    in_ml: float = 0.0


@dataclass(frozen=True, slots=True)
class Tally:
    """Where a session stands. Balance is in less out [mL]; deepest and highest are its extremes between entries.

    pause: as it was entered, None where the run goes on.
    halts: pauses that a reaction made or met; they are never undone. halt: what was said last in the one that still
    lasts, None where none does.
    began: when it was checked and started, None where no entry says so; a time put right never moves it.
    totals: of an automated session, as its machine stated them; volumes and steps are then not entered.
    unnoted_stops: stops for a reaction after which none was noted.
    """

    steps: tuple[StepSoFar, ...]
    moved: tuple[Moved, ...]
    units: dict[int, UnitTimes]
    saline_in_ml: float
    red_cells_in_ml: float
    out_ml: float
    deepest_ml: float
    highest_ml: float
    pause: Said | None
    halts: frozenset[int]
    observations: tuple[Said, ...]
    undone: frozenset[int]
    conflicts: tuple[tuple[int, int], ...]
    last_number: int
    halt: Said | None = None
    began: datetime | None = None
    totals: Totals | None = None
    unnoted_stops: tuple[Said, ...] = ()

    @property
    def paused_since(self) -> datetime | None:
        return None if self.pause is None else self.pause.happened_at

    @property
    def halted(self) -> bool:
        """Paused, and a reaction was seen: going on says who decided it."""
        return self.halt is not None

    @property
    def halted_since(self) -> datetime | None:
        """When the run was stopped for a reaction, or one was seen while it was paused; None where it is not halted."""
        if self.pause is None or self.halt is None:
            return None
        return (self.pause if _says_reaction(self.pause) else self.halt).happened_at

    @property
    def in_ml(self) -> float:
        return self.saline_in_ml + self.red_cells_in_ml

    @property
    def balance_ml(self) -> float:
        return self.in_ml - self.out_ml

    @property
    def balance_without_saline_ml(self) -> float:
        """The balance once saline has left the circulation, which most of it does within the hour."""
        return self.red_cells_in_ml - self.out_ml

    @property
    def current(self) -> StepSoFar | None:
        """The first step that is not done; None once all are."""
        return next((step for step in self.steps if not step.done), None)

    def as_steps(self) -> tuple[Step, ...]:
        """What was really done, in order, for the arithmetic of a session."""
        return tuple(Step(m.fluid, m.in_ml, m.out_ml, m.cells_hb_g_l) for m in self.moved)  # type: ignore[arg-type]


def tally(plan: Sequence[PlannedStep], entries: Iterable[Said]) -> Tally:
    """Fold the entries of a session, in the order of their numbers, over the steps of the plan in force.

    Volumes entered for a step that the plan no longer has keep what they were (fluid as entered) and count in full.
    """
    every = sorted(entries, key=lambda said: said.number)
    undone = frozenset(int(said.body["number"]) for said in every if said.kind == UNDO)
    fixes = {fix.body["number"]: fix for fix in every if fix.kind == TIME and fix.number not in undone}
    counted = [_at_right_time(said, fixes.get(said.number)) for said in every if said.number not in undone]
    by_number = {step.number: step for step in plan}
    moves = sorted((said for said in counted if said.kind == MOVED), key=_order)
    moved = tuple(_moved(said, by_number) for said in moves)
    balance, deepest, highest = 0.0, 0.0, 0.0
    for one in moved:
        balance += one.in_ml - one.out_ml
        deepest, highest = min(deepest, balance), max(highest, balance)
    cells = sum(one.in_ml for one in moved if one.fluid == "red_cells")
    pauses = _pauses(counted)
    halting = [pause for pause in pauses if _is_for_a_reaction(pause)]
    return Tally(
        steps=tuple(_so_far(step, moved, counted) for step in plan),
        moved=moved,
        units=_units(moved, counted),
        saline_in_ml=sum(one.in_ml for one in moved) - cells,
        red_cells_in_ml=cells,
        out_ml=sum(one.out_ml for one in moved),
        deepest_ml=deepest,
        highest_ml=highest,
        pause=_pause(counted),
        halts=frozenset(said.number for pause in halting for said in pause if said.kind == PAUSE),
        halt=pauses[-1][-1] if pauses[-1] in halting else None,
        observations=tuple(said for said in counted if said.kind == OBSERVATION),
        undone=undone,
        conflicts=_conflicts(counted),
        last_number=every[-1].number if every else 0,
        began=next((said.happened_at for said in every if said.kind == START_CHECK), None),
        unnoted_stops=_unnoted_stops(counted),
        totals=next((Totals.of_body(s.body, s.number) for s in reversed(counted) if s.kind == TOTALS), None),
    )


def order_at(state: Tally, moment: datetime) -> float:
    """Return where a volume of a moment stands: after all that was moved up to it, and before what comes next."""
    before = max((one.order for one in state.moved if one.at <= moment), default=0.0)
    after = min((one.order for one in state.moved if one.order > before), default=before + 1.0)
    return (before + after) / 2.0


SHORT_ML, SHORT_SHARE = 10.0, 0.05
"""A volume this little short of the plan ends it: bags and units are never full to the millilitre. Chosen here."""


def about_as_much(done_ml: float, planned_ml: float) -> bool:
    """Say whether a volume has reached what was planned, but for what a bag may be short of. [mL]"""
    return done_ml >= planned_ml - min(max(SHORT_ML, SHORT_SHARE * planned_ml), planned_ml / 2.0)


def _order(said: Said) -> float:
    """Where a volume stands among the others: by its number, or where the volume stood that it puts right."""
    return float(said.body.get("order") or said.number)


def _at_right_time(said: Said, fix: Said | None) -> Said:
    return said if fix is None else replace(said, happened_at=datetime.fromisoformat(fix.body["happened_at"]))


def _moved(said: Said, plan: dict[int, PlannedStep]) -> Moved:
    body: dict[str, Any] = dict(said.body)
    step = plan.get(body["step"])
    fluid = body.get("fluid") or (step.fluid if step else "saline")
    hb = body.get("cells_hb_g_l")
    if hb is None:
        hb = step.cells_hb_g_l if step else 0.0
    return Moved(
        number=said.number,
        step=body["step"],
        fluid=fluid,
        in_ml=float(body["in_ml"]),
        out_ml=float(body["out_ml"]),
        unit=body.get("unit"),
        cells_hb_g_l=float(hb) if fluid == "red_cells" else 0.0,
        at=said.happened_at,
        by=said.by,
        order=_order(said),
    )


def _so_far(step: PlannedStep, moved: Sequence[Moved], counted: Sequence[Said]) -> StepSoFar:
    mine = [one for one in moved if one.step == step.number]
    said_done = [said for said in counted if said.kind == STEP_DONE and said.body["step"] == step.number]
    in_ml, out_ml = sum(one.in_ml for one in mine), sum(one.out_ml for one in mine)
    done = bool(said_done) or (bool(mine) and about_as_much(in_ml, step.in_ml) and about_as_much(out_ml, step.out_ml))
    ends = [one.at for one in mine] + [said.happened_at for said in said_done]
    return StepSoFar(
        planned=step,
        in_ml=in_ml,
        out_ml=out_ml,
        started_at=min((one.at for one in mine), default=None),
        ended_at=max(ends) if done and ends else None,
        done=done,
    )


def _units(moved: Sequence[Moved], counted: Sequence[Said]) -> dict[int, UnitTimes]:
    found: dict[int, UnitTimes] = {}
    for said in counted:
        if said.kind in (UNIT_STARTED, UNIT_ENDED):
            place = int(said.body["unit"])
            times = found.get(place, UnitTimes())
            if said.kind == UNIT_STARTED:
                found[place] = replace(times, started_at=said.happened_at)
            else:
                found[place] = replace(times, ended_at=said.happened_at)
    for one in moved:
        if one.unit is not None:
            times = found.get(one.unit, UnitTimes())
            found[one.unit] = replace(times, in_ml=times.in_ml + one.in_ml)
    return found


def _pause(counted: Sequence[Said]) -> Said | None:
    last = next((said for said in reversed(counted) if said.kind in (PAUSE, RESUME)), None)
    return last if last is not None and last.kind == PAUSE else None


def _pauses(counted: Sequence[Said]) -> list[list[Said]]:
    """What was said of pauses and reactions, parted where somebody went on; the last part may still last."""
    parts: list[list[Said]] = [[]]
    for said in counted:
        if said.kind == RESUME:
            parts.append([])
        elif said.kind in (PAUSE, REACTION):
            parts[-1].append(said)
    return parts


def _is_for_a_reaction(pause: Sequence[Said]) -> bool:
    """Whether the run was stopped for a reaction, or one was seen in the same pause."""
    kinds = {said.kind for said in pause}
    return kinds >= {PAUSE, REACTION} or any(_says_reaction(said) for said in pause)


def _says_reaction(said: Said) -> bool:
    return said.body.get("words") == STOPPED_FOR_A_REACTION


def _unnoted_stops(counted: Sequence[Said]) -> tuple[Said, ...]:
    last_noted = max((said.number for said in counted if said.kind == REACTION), default=0)
    stops = [s for s in counted if s.kind == PAUSE and s.body.get("words") == STOPPED_FOR_A_REACTION]
    return tuple(said for said in stops if said.number > last_noted)


def _conflicts(counted: Sequence[Said]) -> tuple[tuple[int, int], ...]:
    """Pairs of volume entries for the same step by two people, or by one on two tablets, the later made unseeing.

    Both count until somebody undoes one or says that both happened.
    """
    settled = {tuple(sorted(said.body["numbers"])) for said in counted if said.kind == BOTH}
    moves = [said for said in counted if said.kind == MOVED]
    pairs = []
    for place, later in enumerate(moves):
        for earlier in moves[:place]:
            apart = earlier.by != later.by or earlier.body.get("tablet") != later.body.get("tablet")
            if apart and earlier.number > later.seen and earlier.body["step"] == later.body["step"]:
                pair = (earlier.number, later.number)
                if pair not in settled:
                    pairs.append(pair)
    return tuple(pairs)
