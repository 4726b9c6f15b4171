"""What a session really was, once it is over: steps, totals, units and times, taken from the tally of its entries."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from sessions.day.numeric.machine import Totals
from sessions.day.numeric.tally import Moved, Tally

ONE_ARM, AUTOMATED = "one_arm", "automated"
MOST_IN_ONE_STEP_ML = 3000.0
CELLS_HB_G_L = (100.0, 300.0)
"""What a stored step can hold: more fluid becomes a further step, and haemoglobin of cells outside it is not known."""


@dataclass(frozen=True, slots=True)
class StepDone:
    """One step as carried out: fluid in and blood out at the same time [mL]. cells_hb_g_l: None where not known."""

    fluid: str
    in_ml: float
    out_ml: float
    cells_hb_g_l: float | None
    started_at: datetime
    ended_at: datetime


@dataclass(frozen=True, slots=True)
class Done:
    """A session as carried out; times are None where nothing was given or drawn. places: of the units given.

    units_told: how many units the totals say, where only totals are known; None where each is known by its place.
    """

    steps: tuple[StepDone, ...]
    places: tuple[int, ...]
    saline_in_ml: float
    red_cells_in_ml: float
    out_ml: float
    started_at: datetime | None
    ended_at: datetime | None
    units_told: int | None = None

    @property
    def units(self) -> int:
        return len(self.places) if self.units_told is None else self.units_told

    @property
    def balance_ml(self) -> float:
        return self.saline_in_ml + self.red_cells_in_ml - self.out_ml

    @property
    def is_nothing(self) -> bool:
        return self.saline_in_ml + self.red_cells_in_ml + self.out_ml == 0


def done(state: Tally, *, method: str, began: datetime | None = None) -> Done:
    """Return what was carried out.

    method: 'one_arm' keeps draw and infusion apart, in the order in which they were entered; otherwise what belongs to
    one step of the plan went in and out at the same time and is one step. began: when the session was started.
    A volume is entered when it is in or out: its step began with its unit or with the end of the step before. The
    session ends with the last volume or the end of the last unit.
    'automated': volumes and times are those of the totals alone, the units those that were really started.
    """
    if method == AUTOMATED and state.totals is not None:
        return _by_machine(state, state.totals)
    ends = [one.at for one in state.moved]
    ends += [times.ended_at for times in state.units.values() if times.ended_at is not None]
    starts = [one.at for one in state.moved] + ([] if began is None else [began])
    starts += [times.started_at for times in state.units.values() if times.started_at is not None]
    return Done(
        steps=tuple(_steps(_groups(state.moved, apart=method == ONE_ARM), state, began)),
        places=_places(state),
        saline_in_ml=state.saline_in_ml,
        red_cells_in_ml=state.red_cells_in_ml,
        out_ml=state.out_ml,
        started_at=min(starts, default=None),
        ended_at=max(ends, default=None),
    )


def _by_machine(state: Tally, totals: Totals) -> Done:
    return Done(
        steps=(),
        places=_places(state),
        saline_in_ml=totals.saline_in_ml,
        red_cells_in_ml=totals.red_cells_in_ml,
        out_ml=totals.blood_out_ml,
        started_at=totals.started_at,
        ended_at=totals.ended_at,
        units_told=totals.units,
    )


def _places(state: Tally) -> tuple[int, ...]:
    return tuple(sorted(place for place, times in state.units.items() if times.started_at or times.in_ml > 0))


def _steps(groups: Iterable[list[Moved]], state: Tally, began: datetime | None) -> Iterator[StepDone]:
    before = began
    for group in groups:
        units = [state.units[one.unit].started_at for one in group if one.unit is not None]
        known = [moment for moment in (before, min((u for u in units if u is not None), default=None)) if moment]
        step = _step(group, max(known, default=group[0].at))
        before = step.ended_at
        yield step


def _groups(moved: Iterable[Moved], *, apart: bool) -> list[list[Moved]]:
    """Part volumes into steps: by step of the plan and fluid, in one-arm sessions by direction too."""
    groups: list[list[Moved]] = []
    last: tuple[object, ...] | None = None
    for one in moved:
        direction = (one.in_ml > 0, one.out_ml > 0) if apart else None
        kind = (one.step, one.fluid, direction)
        if kind != last or not _has_room(groups[-1], one):
            groups.append([])
        groups[-1].append(one)
        last = kind
    return groups


def _has_room(group: list[Moved], one: Moved) -> bool:
    in_ml, out_ml = sum(m.in_ml for m in group) + one.in_ml, sum(m.out_ml for m in group) + one.out_ml
    return max(in_ml, out_ml) <= MOST_IN_ONE_STEP_ML


def _step(group: list[Moved], began: datetime) -> StepDone:
    in_ml = sum(one.in_ml for one in group)
    hb = sum(one.in_ml * one.cells_hb_g_l for one in group) / in_ml if in_ml > 0 else 0.0
    low, high = CELLS_HB_G_L
    return StepDone(
        fluid=group[0].fluid,
        in_ml=in_ml,
        out_ml=sum(one.out_ml for one in group),
        cells_hb_g_l=hb if group[0].fluid == "red_cells" and low <= hb <= high else None,
        started_at=min(began, *(one.at for one in group)),
        ended_at=max(one.at for one in group),
    )
