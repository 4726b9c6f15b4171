"""Sessions on consecutive open days, where one alone cannot reach the end target.

Each is planned like any other, inside every limit and the greatest rise of its day, from where the one before left
HbS and Hb: HbS climbs by the pace for the days between, Hb stands where it settled, with the spread that the session
left it. Nobody knows Hb better than that until it is measured again, so every day is planned anew on the day. A series
does not wait for a person's own clinic days: it goes on whenever the unit is open. Chosen here; not from a source.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.limits import Limits
from programme.planning.numeric.opendays import OpenDays
from programme.planning.numeric.people import taken
from programme.planning.numeric.prescribe import NO_PLAN, Prescriptions, prescribe
from programme.planning.numeric.search import UNFAVOURABLE_TENTH, Before, Cells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_IN_SERIES = 6
LEAST_GAIN = 1.0  # points of HbS; for less nobody comes for a further session. Chosen here


@dataclass(frozen=True, slots=True)
class Series:
    """The sessions of P people, arrays [P, MOST_IN_SERIES]; day 0 and nan after the last one."""

    day: Ints  # ordinals
    units: Ints
    saline_ml: Floats
    red_cells_ml: Floats
    blood_out_ml: Floats
    hb_before_g_l: Floats
    hbs_before_pct: Floats
    hb_after_g_l: Floats  # settled
    hbs_after_pct: Floats
    rise_high_g_l: Floats  # of that day, at the unfavourable tenth
    reached: Bools  # [P]: the last one comes to the end target

    @property
    def sessions(self) -> Ints:
        """How many there are, [P]."""
        return np.asarray((self.day > 0).sum(axis=1), dtype=np.int64)


def no_series(n: int) -> Series:
    """A series without sessions, for n people."""
    shape = (n, MOST_IN_SERIES)
    values: dict[str, Any] = {f.name: np.full(shape, np.nan) for f in fields(Series)}
    values |= {name: np.zeros(shape, dtype=np.int64) for name in ("day", "units")}
    return Series(**values | {"reached": np.zeros(n, dtype=bool)})


def plan_series(
    first: Prescriptions,
    *,
    before: Before,
    hbs_before_pct: Floats,
    end_target_pct: Floats,
    pace_pct_per_day: Floats,
    day: Ints,
    open_days: OpenDays,
    cells: Cells,
    limits: Limits,
) -> Series:
    """The sessions that bring HbS to the end target, the first as already planned for `day`, [P] throughout.

    Stops for a person once less than LEAST_GAIN is missing to the target, no session keeps the limits, a further one
    would not end LEAST_GAIN lower, or MOST_IN_SERIES are planned. Returns arrays [P, MOST_IN_SERIES].
    """
    series = no_series(len(day))
    unit_open = OpenDays.of(len(day), closed=open_days.closed)
    living = np.flatnonzero(first.standing != NO_PLAN)
    plan, at, hbs, on = taken(first, living), before.take(living), hbs_before_pct[living], day[living]
    for number in range(MOST_IN_SERIES):
        if not living.size:
            break
        _write(series, living, number, plan, at, hbs, on)
        series.reached[living] = plan.reached
        going = np.flatnonzero(~plan.reached & (plan.hbs_after_pct - end_target_pct[living] >= LEAST_GAIN))
        left, living = taken(plan, going), living[going]
        if number + 1 == MOST_IN_SERIES or not living.size:
            break
        then = unit_open.take(living).on_or_after(on[going] + 1)
        spread = (left.end_high_g_l - left.hb_settled_g_l) / UNFAVOURABLE_TENTH
        at = replace(at.take(going), hb_g_l=left.hb_settled_g_l, hb_sd_g_l=np.maximum(spread, 0.0))
        hbs = left.hbs_after_pct + np.maximum(pace_pct_per_day[living], 0.0) * (then - on[going])
        plan = prescribe(
            before=at,
            hbs_before_pct=hbs,
            end_target_pct=end_target_pct[living],
            cells=cells,
            limits=limits.take(living),
        )
        worth = (plan.standing != NO_PLAN) & (left.hbs_after_pct - plan.hbs_after_pct >= LEAST_GAIN)
        some = np.flatnonzero(worth)
        plan, at, hbs, on, living = taken(plan, some), at.take(some), hbs[some], then[some], living[some]
    return series


def not_reached_words(sessions: int, *, reached: bool, end_pct: float, target_pct: float) -> str:
    """Return what is said where one session does not reach its end target. sessions, reached: of its series."""
    if reached:
        return f"The end target is out of reach in one session; {sessions} on consecutive open days would come to it."
    if sessions > 1:
        return f"The end target is out of reach in one session; {sessions} on consecutive open days come nearest to it."
    if end_pct - target_pct < LEAST_GAIN:
        return (
            f"The session ends at {end_pct:.1f} %, over the end target of {target_pct:.1f} %, but by less than a "
            "further session is worth."
        )
    return "The end target is out of reach with the units and limits allowed."


def _write(series: Series, people: Ints, number: int, plan: Prescriptions, at: Before, hbs: Floats, on: Ints) -> None:
    figures = {
        "day": on,
        "units": plan.units,
        "saline_ml": plan.saline_ml,
        "red_cells_ml": plan.red_cells_ml,
        "blood_out_ml": plan.blood_out_ml,
        "hb_before_g_l": at.hb_g_l,
        "hbs_before_pct": hbs,
        "hb_after_g_l": plan.hb_settled_g_l,
        "hbs_after_pct": plan.hbs_after_pct,
        "rise_high_g_l": plan.rise_high_g_l,
    }
    for name, values in figures.items():
        getattr(series, name)[people, number] = values
