"""Positions of the picture of one session: HbS above, Hb below, over the volume moved. All of it is reckoned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from programme.worklist.numeric.trying import Curve
from sessions.numeric.exchange import Step

LEFT, RIGHT = 44.0, 566.0
HBS_TOP, HBS_BOTTOM = 12.0, 198.0
HB_TOP, HB_BOTTOM = 240.0, 370.0
BAR_TOP = 384.0
SHORTEST_NAMED_PX = 64.0
SHORTEST_NUMBERED_PX = 12.0
SHORTEST_FIGURE_PX = 26.0


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from values to picture units."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        return round(float(self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)), 1)


@dataclass(frozen=True, slots=True)
class Tick:
    y: float
    label: str


@dataclass(frozen=True, slots=True)
class StepMark:
    """One step on the graduated bar, and the figures where it ends ('' where there is no room to print them)."""

    x: float
    width: float
    middle: float
    name: str
    fluid: str
    end: float
    hbs_y: float
    hb_y: float
    hbs: str
    hb: str


@dataclass(frozen=True, slots=True)
class TryPicture:
    hbs_ticks: tuple[Tick, ...]
    hb_ticks: tuple[Tick, ...]
    hbs_path: str
    hb_path: str
    limits: tuple[Tick, ...]
    steps: tuple[StepMark, ...]
    start_hbs_y: float
    start_hb_y: float


def try_picture(line: Curve, steps: Sequence[Step], *, hb_warn_g_l: float, hb_stop_low_g_l: float) -> TryPicture:
    """Return the positions for a curve of `trying.curve`; hb_warn_g_l and hb_stop_low_g_l are drawn as limits."""
    across = Scale(0.0, max(float(line.moved_ml[-1]), 1.0), LEFT, RIGHT)
    hbs = _scale(line.hbs_pct, 10.0, HBS_BOTTOM, HBS_TOP, least=20.0)
    hb = _scale(np.append(line.hb_g_l, [hb_warn_g_l, hb_stop_low_g_l]), 20.0, HB_BOTTOM, HB_TOP, least=40.0)
    return TryPicture(
        hbs_ticks=_ticks(hbs, 10.0 if hbs.high - hbs.low <= 60 else 20.0),
        hb_ticks=_ticks(hb, 20.0),
        hbs_path=_path(across, hbs, line.moved_ml, line.hbs_pct),
        hb_path=_path(across, hb, line.moved_ml, line.hb_g_l),
        limits=(
            Tick(hb.at(hb_warn_g_l), f"warn {hb_warn_g_l:.0f}"),
            Tick(hb.at(hb_stop_low_g_l), f"stop {hb_stop_low_g_l:.0f}"),
        ),
        steps=_step_marks(line, steps, across, hbs, hb),
        start_hbs_y=hbs.at(float(line.hbs_pct[0])),
        start_hb_y=hb.at(float(line.hb_g_l[0])),
    )


def _scale(values: NDArray[np.float64], by: float, start: float, end: float, *, least: float) -> Scale:
    low = by * np.floor(float(values.min()) / by)
    high = by * np.ceil(float(values.max()) / by)
    return Scale(float(low), float(max(high, low + least)), start, end)


def _ticks(scale: Scale, by: float) -> tuple[Tick, ...]:
    return tuple(Tick(scale.at(value), f"{value:.0f}") for value in np.arange(scale.low, scale.high + by / 2, by))


def _path(across: Scale, up: Scale, moved: NDArray[np.float64], values: NDArray[np.float64]) -> str:
    points = (f"{across.at(float(x)):g} {up.at(float(y)):g}" for x, y in zip(moved, values, strict=True))
    return "M" + "L".join(points)


def _step_marks(line: Curve, steps: Sequence[Step], across: Scale, hbs: Scale, hb: Scale) -> tuple[StepMark, ...]:
    marks = []
    ends = [0.0, *(float(end) for end in line.step_end_ml)]
    slices = (len(line.moved_ml) - 1) // len(steps)
    for place, step in enumerate(steps):
        x, end = across.at(ends[place]), across.at(ends[place + 1])
        hbs_after, hb_after = (float(values[(place + 1) * slices]) for values in (line.hbs_pct, line.hb_g_l))
        wide = end - x
        words = "saline" if step.fluid == "saline" else "red cells"
        words = "out" if not step.in_ml else words
        named = f"{place + 1} {words}" if wide >= SHORTEST_NAMED_PX else f"{place + 1}"
        marks.append(
            StepMark(
                x=x, width=round(wide, 1), middle=round((x + end) / 2, 1), end=end, fluid=step.fluid,
                name=named if wide >= SHORTEST_NUMBERED_PX else "",
                hbs_y=hbs.at(hbs_after), hb_y=hb.at(hb_after),
                hbs=f"{hbs_after:.0f}" if wide >= SHORTEST_FIGURE_PX else "",
                hb=f"{hb_after:.0f}" if wide >= SHORTEST_FIGURE_PX else "",
            )
        )  # fmt: skip
    return tuple(marks)
