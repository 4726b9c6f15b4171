"""Two small volumes beside an exchange: a top-up before a low start, and blood drawn level when haemoglobin
is too high.

Each comes with its rule of thumb, because the rules are in use and the arithmetic does not bear them out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sessions.numeric.exchange import UNIT_HB_G_L

Floats = NDArray[np.float64]

RULE_ML_PER_KG = 3.0
"""Rule of thumb for both volumes: 3 mL/kg for 10 g/L (red cells at haematocrit 0.58). Common practice.
[mL/kg]"""

RULE_STEP_G_L = 10.0

MEASURED_TOPUP_ML_PER_KG = (4.0, 5.0)
"""Red cells that raised haemoglobin by 10 g/L [mL/kg]: 4 in Cornell N et al., J Pediatr Hematol Oncol
2017;39:e388-90; 5.0 in Davies P et al., Transfusion 2007;47:212-6."""


@dataclass(frozen=True, slots=True)
class TopUp:
    """Red cells for a wanted rise, by arithmetic, by rule and as measured; arrays of one shape. [mL]"""

    settled_ml: Floats  # once the volume given has left the circulation again
    unsettled_ml: Floats  # while all of it is still there; inf when the rise cannot be reached so
    rule_ml: Floats
    measured_low_ml: Floats
    measured_high_ml: Floats


@dataclass(frozen=True, slots=True)
class LevelBleed:
    """Blood to draw, with saline given level, for a wanted haemoglobin; arrays of one shape."""

    out_ml: Floats
    rule_ml: Floats
    rule_ends_at_g_l: Floats  # where the rule's volume would really lead, well mixed


def topup(
    *,
    blood_volume_ml: ArrayLike,
    weight_kg: ArrayLike,
    hb_g_l: ArrayLike,
    rise_g_l: ArrayLike,
    unit_hb_g_l: ArrayLike = UNIT_HB_G_L,
) -> TopUp:
    """Red cells that raise haemoglobin by `rise_g_l`.

    blood_volume_ml [mL], weight_kg [kg], hb_g_l before [g/L], rise_g_l wanted [g/L], unit_hb_g_l of the red
    cells [g/L]; all broadcast together.
    Settled: V·rise/c. Unsettled: V·rise/(c − Hb − rise). Both are mass balance. Raises ValueError for
    figures below 0.
    """
    volume, weight, hb, rise, unit = _checked(
        blood_volume_ml=blood_volume_ml,
        weight_kg=weight_kg,
        hb_g_l=hb_g_l,
        rise_g_l=rise_g_l,
        unit_hb_g_l=unit_hb_g_l,
    )
    room = unit - hb - rise
    per_kg = weight * rise / RULE_STEP_G_L
    low, high = MEASURED_TOPUP_ML_PER_KG
    with np.errstate(divide="ignore", invalid="ignore"):
        unsettled = np.where(room > 0.0, volume * rise / room, np.inf)
    return TopUp(volume * rise / unit, unsettled, RULE_ML_PER_KG * per_kg, low * per_kg, high * per_kg)


def level_bleed(
    *, blood_volume_ml: ArrayLike, weight_kg: ArrayLike, hb_g_l: ArrayLike, wanted_hb_g_l: ArrayLike
) -> LevelBleed:
    """Blood to draw while saline keeps the volume level, so that haemoglobin falls to `wanted_hb_g_l`.

    blood_volume_ml [mL], weight_kg [kg], hb_g_l settled, now [g/L], wanted_hb_g_l [g/L]; all broadcast
    together. V·ln(Hb/wanted), 0 when Hb is not above it (wash-out of a well-mixed volume, Reverberi R,
    Reverberi L, Blood Transfus 2007;5:164-74). Raises ValueError for figures below 0.
    """
    volume, weight, hb, wanted = _checked(
        blood_volume_ml=blood_volume_ml, weight_kg=weight_kg, hb_g_l=hb_g_l, wanted_hb_g_l=wanted_hb_g_l
    )
    fall = np.maximum(hb - wanted, 0.0)
    rule = RULE_ML_PER_KG * weight * fall / RULE_STEP_G_L
    return LevelBleed(-volume * np.log1p(-fall / hb), rule, hb * np.exp(-rule / volume))


def _checked(**figures: ArrayLike) -> tuple[Floats, ...]:
    arrays = [np.asarray(value, dtype=float) for value in figures.values()]
    for name, values in zip(figures, arrays, strict=True):
        if (values < 0.0).any() or np.isinf(values).any():
            raise ValueError(f"{name} must be finite and 0 or more")
    return tuple(np.broadcast_arrays(*arrays))
