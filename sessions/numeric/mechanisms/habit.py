"""How the made-up unit prescribes by habit: saline first, then whole units, until the ratio looks right."""

from dataclasses import dataclass

import numpy as np

from .mixing import mix
from .people import FloatArray

UNIT_ML, UNIT_HB_G_L, MOST_UNITS = 260.0, 190.0, 11


@dataclass(frozen=True, slots=True)
class Prescribed:
    """Steps, arrays [P, 2]: saline, then red cells. A row of zeros is no session."""

    in_ml: FloatArray
    out_ml: FloatArray
    cells_hb_g_l: FloatArray


def prescribe_by_habit(
    *,
    blood_volume_ml: FloatArray,
    weight_kg: FloatArray,
    hb_g_l: FloatArray,
    hbs_pct: FloatArray,
    end_target_pct: FloatArray,
    hb_goal_g_l: FloatArray,
) -> Prescribed:
    """Fewest whole units (1 to 11, by weight) that bring HbS to the target, ending near the usual Hb.

    Blood drawn against a unit is what would leave Hb at its goal. All arguments [P]. Chosen here; not from a source.
    """
    most = np.clip(np.round(weight_kg / 6.5), 2, MOST_UNITS)
    saline = np.where(hb_g_l > 84.0, np.minimum(8.0 * weight_kg, 500.0), 0.0)
    kept_saline = np.exp(-saline / blood_volume_ml)
    chosen = np.zeros_like(hb_g_l)
    best_out = np.zeros_like(hb_g_l)
    done = np.zeros(len(hb_g_l), dtype=bool)
    for units in range(1, MOST_UNITS + 1):
        cells_in = np.full_like(hb_g_l, units * UNIT_ML)
        out = _blood_out(blood_volume_ml, hb_g_l * kept_saline, cells_in, hb_goal_g_l)
        mixed = mix(blood_volume_ml, cells_in[:, None], out[:, None], np.full((len(out), 1), UNIT_HB_G_L))
        old = hb_g_l * kept_saline * blood_volume_ml / 1000.0 * mixed.kept
        ends = hbs_pct * old / (old + mixed.given_g)
        takes = ~done & ((ends <= end_target_pct) | (units >= most))
        chosen, best_out = np.where(takes, cells_in, chosen), np.where(takes, out, best_out)
        done |= takes
    return Prescribed(
        in_ml=np.stack([saline, chosen], axis=1),
        out_ml=np.stack([saline, best_out], axis=1),
        cells_hb_g_l=np.stack([np.zeros_like(saline), np.full_like(saline, UNIT_HB_G_L)], axis=1),
    )


def _blood_out(volume: FloatArray, hb: FloatArray, cells_in: FloatArray, goal: FloatArray) -> FloatArray:
    """Blood to draw while cells run in so that settled Hb ends at the goal, by halving, [mL]."""
    low, high = np.zeros_like(volume), cells_in + 0.35 * volume
    for _ in range(24):
        middle = 0.5 * (low + high)
        mixed = mix(volume, cells_in[:, None], middle[:, None], np.full((len(volume), 1), UNIT_HB_G_L))
        ends = (hb * volume / 1000.0 * mixed.kept + mixed.given_g) / volume * 1000.0
        low, high = np.where(ends > goal, middle, low), np.where(ends > goal, high, middle)
    return np.asarray(np.round(0.5 * (low + high) / 10.0) * 10.0)
