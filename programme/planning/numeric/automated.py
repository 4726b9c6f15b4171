"""An automated exchange as totals: units, and Hb and HbS at its end. The order inside is the machine's own.

The machine draws blood, keeps the red cells back and returns the rest, so what is exchanged is haemoglobin mass. With
M the patient's Hb mass, i the donor Hb given and o the Hb removed, both at steady rates, of what was there

    own left = (M₁/M₀)^(−o/(i − o)),  M₁ = M₀ + i − o;     e^(−o/M₀) when M stays level,

the well-mixed wash-out of Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74, written for mass instead of volume.
The machine is set to an end Hb; that end is kept as it was before, but lifted to the warning floor and held under the
ceiling at the unfavourable tenth (chosen here). Priming, rinse-back and extracorporeal volume are not in the figures.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.limits import Limits, hb_after_warn
from programme.planning.numeric.search import UNFAVOURABLE_TENTH, Before, Cells

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


def own_left(mass_g: Floats, in_g: Floats, out_g: Floats) -> Floats:
    """Share of the patient's own Hb left when `in_g` come and `out_g` go at steady rates. Formula above. [1]"""
    end = mass_g + in_g - out_g
    change = in_g - out_g
    level = np.abs(change) < 1e-9 * mass_g
    with np.errstate(divide="ignore", invalid="ignore"):
        moving = (end / mass_g) ** (-out_g / np.where(level, 1.0, change))
    return np.where(level, np.exp(-out_g / mass_g), np.where(end > 0.0, moving, np.nan))


def totals(before: Before, hbs_before_pct: Floats, hb_end_g_l: Floats, units: Floats, cells: Cells) -> AutomatedPlan:
    """What so many units do when the machine is set to end at `hb_end_g_l`; arrays [P] or [units, P]. nan in, nan out.

    The spread is by central differences over the volume, Hb before and Hb of the units.
    """
    volume_l = before.blood_volume_ml * before.mixing / 1000.0
    unit_g = cells.unit_ml * cells.hb_g_l / 1000.0
    given = units * unit_g
    out = given - volume_l * (hb_end_g_l - before.hb_g_l)

    def end(volume: Floats, hb: Floats, in_g: Floats) -> tuple[Floats, Floats]:
        left = own_left(volume * hb, in_g, out)
        fresh = (volume * hb * (1.0 - left) + in_g - out) * (1.0 - cells.early_loss)
        settled = hb * left + fresh / volume
        return hb * left / settled, settled

    ratio, settled = end(volume_l, before.hb_g_l, given)
    shifts = (
        (volume_l * before.mixing_rel_sd, 0.0, 0.0),
        (0.0, before.hb_sd_g_l, 0.0),
        (0.0, 0.0, given * cells.unit_hb_rel_sd / np.sqrt(np.maximum(units, 1.0))),
    )
    moved = [
        [end(volume_l + s * dv, before.hb_g_l + s * dh, given + s * dg) for s in (1.0, -1.0)] for dv, dh, dg in shifts
    ]
    ratio_sd = np.sqrt(sum((0.5 * (up[0] - down[0])) ** 2 for up, down in moved))
    hb_sd = np.sqrt(sum((0.5 * (up[1] - down[1])) ** 2 for up, down in moved))
    volume_ml = units * cells.unit_ml
    return AutomatedPlan(
        units=np.asarray(units, dtype=np.int64),
        reached=np.isfinite(ratio),
        red_cells_ml=volume_ml,
        blood_out_ml=volume_ml,
        hb_out_g_l=1000.0 * out / np.maximum(volume_ml, 1.0),
        hb_end_g_l=settled,
        hb_end_sd_g_l=hb_sd,
        hbs_after_pct=hbs_before_pct * ratio,
        hbs_ratio_rel_sd=ratio_sd / ratio,
        net_iron_mg=cells.iron_mg_per_g * (given - out),
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

    Where the units allowed do not reach it, those that come nearest. Arguments as `prescribe.prescribe`.
    """
    most = int(max(limits.units_most.max(initial=1.0), 1.0))
    setting = end_hb(before, end_target_pct, limits)
    menu = [totals(before, hbs_before_pct, setting, np.full(len(setting), float(n)), cells) for n in range(1, most + 1)]
    ends = np.stack([row.hbs_after_pct for row in menu])
    allowed = (np.arange(1, most + 1)[:, None] <= limits.units_most) & np.isfinite(ends)
    meets = allowed & (ends <= end_target_pct + 1e-9)
    nearest = np.where(allowed, ends, np.inf).argmin(axis=0)
    chosen = np.where(meets.any(axis=0), meets.argmax(axis=0), nearest)
    plan = totals(before, hbs_before_pct, setting, chosen + 1.0, cells)
    return replace(plan, reached=np.asarray(meets.any(axis=0))), menu
