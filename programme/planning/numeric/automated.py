"""Planning an automated exchange as totals: units, and Hb and HbS at its end, by mass (`sessions.numeric.by_mass`).

The machine is set to an end Hb; that end is kept as it was before, but lifted to the warning floor and held under the
ceiling at the unfavourable tenth (chosen here).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.limits import Limits, hb_after_warn
from programme.planning.numeric.search import UNFAVOURABLE_TENTH, Before, Cells
from sessions.numeric.by_mass import reckon_by_mass

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class AutomatedPlan:
    """Totals for people, arrays [P]."""

    units: Ints
    reached: Bools  # the end target is reached with the units allowed
    red_cells_ml: Floats
    blood_out_ml: Floats  # level: as much as the red cells
    hb_out_g_l: Floats  # of what is removed
    hb_end_g_l: Floats  # what the machine is set to
    hb_end_sd_g_l: Floats
    hbs_after_pct: Floats
    hbs_ratio_rel_sd: Floats
    net_iron_mg: Floats


def totals(before: Before, hbs_before_pct: Floats, hb_end_g_l: Floats, units: Floats, cells: Cells) -> AutomatedPlan:
    """What so many units do when the machine is set to end at `hb_end_g_l`; arrays [P] or [units, P]."""
    given = units * cells.unit_ml * cells.hb_g_l / 1000.0
    found = reckon_by_mass(
        volume_l=before.blood_volume_ml * before.mixing / 1000.0,
        volume_rel_sd=before.mixing_rel_sd,
        hb_before_g_l=before.hb_g_l,
        hb_before_sd_g_l=before.hb_sd_g_l,
        given_g=given,
        given_rel_sd=cells.unit_hb_rel_sd / np.sqrt(np.maximum(units, 1.0)),
        hb_end_g_l=hb_end_g_l,
        early_loss=cells.early_loss,
    )
    volume_ml = units * cells.unit_ml
    return AutomatedPlan(
        units=np.asarray(units, dtype=np.int64),
        reached=np.isfinite(found.hbs_ratio),
        red_cells_ml=volume_ml,
        blood_out_ml=volume_ml,
        hb_out_g_l=1000.0 * found.out_g / np.maximum(volume_ml, 1.0),
        hb_end_g_l=found.hb_settled_g_l,
        hb_end_sd_g_l=found.hb_settled_sd_g_l,
        hbs_after_pct=hbs_before_pct * found.hbs_ratio,
        hbs_ratio_rel_sd=found.hbs_ratio_sd / found.hbs_ratio,
        net_iron_mg=cells.iron_mg_per_g * (given - found.out_g),
    )


def end_hb(before: Before, hbs_after_pct: Floats, limits: Limits) -> Floats:
    """The Hb a machine is set to: as before, not under the floor, and under the ceiling in nine of ten. [g/L]"""
    cap = hb_after_warn(limits, hbs_after_pct) - UNFAVOURABLE_TENTH * before.hb_sd_g_l
    lifted = np.minimum(np.maximum(before.hb_g_l, limits.hb_floor_warn_g_l), before.hb_g_l + limits.rise_stop_g_l)
    return np.minimum(lifted, cap)


def plan_automated(
    *, before: Before, hbs_before_pct: Floats, end_target_pct: Floats, cells: Cells, limits: Limits
) -> tuple[AutomatedPlan, list[AutomatedPlan]]:
    """The fewest whole units that reach the end target, [P], and the plans of every number of units from one on.

    Where the units that may be given, and the blood that may be drawn, do not reach it, those that come nearest.
    Arguments as `prescribe.prescribe`.
    """
    most = int(max(limits.units_most.max(initial=1.0), 1.0))
    setting = end_hb(before, end_target_pct, limits)
    menu = [totals(before, hbs_before_pct, setting, np.full(len(setting), float(n)), cells) for n in range(1, most + 1)]
    ends = np.stack([row.hbs_after_pct for row in menu])
    drawn = np.stack([row.blood_out_ml for row in menu])
    allowed = (np.arange(1, most + 1)[:, None] <= limits.units_most) & (drawn <= limits.blood_out_stop_ml)
    allowed &= np.isfinite(ends)
    meets = allowed & (ends <= end_target_pct + 1e-9)
    nearest = np.where(allowed, ends, np.inf).argmin(axis=0)
    chosen = np.where(meets.any(axis=0), meets.argmax(axis=0), nearest)
    plan = totals(before, hbs_before_pct, setting, chosen + 1.0, cells)
    return replace(plan, reached=np.asarray(meets.any(axis=0))), menu
