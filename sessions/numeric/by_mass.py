"""An exchange by a machine, reckoned by mass: units given, Hb before and at the end. The order inside is its own.

The machine draws blood, keeps the red cells back and returns the rest, so what is exchanged is haemoglobin mass, and
the volume of what it drew says little. With M the patient's Hb mass, i the donor Hb given and o the Hb removed, both at
steady rates, of what was there

    own left = (M₁/M₀)^(−o/(i − o)),  M₁ = M₀ + i − o;     e^(−o/M₀) when M stays level,

the well-mixed wash-out of Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74, written for mass instead of volume.
o follows from the balance of mass, V·(Hb₁ − Hb₀) = i − o. Priming, rinse-back and extracorporeal volume are not in the
figures.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sessions.numeric.uncertainty import UNIT_HB_SD_G

Floats = NDArray[np.float64]

END_HB_SD_G_L = 8.0
"""How far the Hb a machine was set to end at lies around Hb before, where nothing says which. Chosen here."""


def given_rel_sd(given_g: ArrayLike, unit_hb_g: float) -> Floats:
    """Relative spread of the Hb given in units that hold `unit_hb_g` each, give or take UNIT_HB_SD_G. [1]"""
    units_g = np.maximum(np.asarray(given_g, dtype=float), unit_hb_g)
    return np.asarray(UNIT_HB_SD_G / np.sqrt(unit_hb_g * units_g))


@dataclass(frozen=True, slots=True)
class ByMass:
    """What it did, arrays of the common shape; nan where a figure is missing or so many units cannot end there."""

    hbs_ratio: Floats  # HbS % after over before [1]
    hbs_ratio_sd: Floats
    hb_settled_g_l: Floats
    hb_settled_sd_g_l: Floats
    out_g: Floats  # haemoglobin removed [g]


def own_left(mass_g: ArrayLike, in_g: ArrayLike, out_g: ArrayLike) -> Floats:
    """Share of the patient's own Hb left when `in_g` come and `out_g` go at steady rates. Formula above. [1]"""
    mass, given, out = (np.asarray(value, dtype=float) for value in (mass_g, in_g, out_g))
    end, change = mass + given - out, given - out
    level = np.abs(change) < 1e-9 * mass
    with np.errstate(divide="ignore", invalid="ignore"):
        moving = (end / mass) ** (-out / np.where(level, 1.0, change))
    return np.where(level, np.exp(-out / mass), np.where(end > 0.0, moving, np.nan))


def share_of_ideal(
    *,
    volume_l: ArrayLike,
    given_g: ArrayLike,
    hb_before_g_l: ArrayLike,
    hb_after_g_l: ArrayLike,
    hbs_before_pct: ArrayLike,
    hbs_after_pct: ArrayLike,
) -> tuple[Floats, Floats]:
    """Own cells removed against the most that so much donor Hb can remove, ratio of logs [1]; and that most, as a log.

    volume_l : by formula [L]. What is left is measured, HbS times Hb after over both before; the most is removed where
    all mixes at once (`own_left`). All broadcast together; nan where a figure is missing or nothing could be removed.
    """
    volume, given, hb_0, hb_1, hbs_0, hbs_1 = (
        np.asarray(value, dtype=float)
        for value in (volume_l, given_g, hb_before_g_l, hb_after_g_l, hbs_before_pct, hbs_after_pct)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        most = -np.log(own_left(volume * hb_0, given, given - volume * (hb_1 - hb_0)))
        most = np.where(most > 0.0, most, np.nan)
        return np.log((hbs_0 * hb_0) / (hbs_1 * hb_1)) / most, most


def reckon_by_mass(
    *,
    volume_l: ArrayLike,
    volume_rel_sd: ArrayLike,
    hb_before_g_l: ArrayLike,
    hb_before_sd_g_l: ArrayLike,
    given_g: ArrayLike,
    given_rel_sd: ArrayLike,
    hb_end_g_l: ArrayLike,
    hb_end_sd_g_l: ArrayLike = 0.0,
    end_is_measured: ArrayLike = False,
    early_loss: ArrayLike = 0.0,
) -> ByMass:
    """What a machine did that gave `given_g` of donor Hb and ended at `hb_end_g_l`; all broadcast together.

    volume_l : in which it mixes [L]. Hb [g/L]. given_g [g]. early_loss : of today's donor cells within a day [1].
    end_is_measured : the end is a laboratory's. Otherwise it is what the machine was told, which removes what it
        reckoned with, so an error of volume, Hb before or units moves the end itself.
    The spread is by central differences over volume, Hb before, Hb given and the end. nan in, nan out.
    """
    figures = (volume_l, hb_before_g_l, given_g, hb_end_g_l)
    errors = (volume_rel_sd, hb_before_sd_g_l, given_rel_sd, hb_end_sd_g_l)
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in (*figures, *errors)))
    (volume, hb, given, end), spreads = arrays[:4], arrays[4:]
    measured, loss = np.asarray(end_is_measured, dtype=bool), np.asarray(early_loss, dtype=float)
    told_out = given - volume * (end - hb)

    def outcome(by_volume: Floats, by_hb: Floats, by_given: Floats, by_end: Floats) -> tuple[Floats, Floats]:
        v, h, i, e = volume + by_volume, hb + by_hb, given + by_given, end + by_end
        out = np.where(measured, i - v * (e - h), told_out - volume * by_end)
        left = np.where(out >= 0.0, own_left(v * h, i, out), np.nan)
        fresh = (v * h * (1.0 - left) + i - out) * (1.0 - loss)
        settled = h * left + fresh / v
        return h * left / settled, settled

    none = np.zeros_like(volume)
    sds = (volume * spreads[0], spreads[1], given * spreads[2], spreads[3])
    ratio, settled = outcome(none, none, none, none)
    moved = [
        [outcome(*(sign * sd if place == moves else none for place, sd in enumerate(sds))) for sign in (1.0, -1.0)]
        for moves in range(len(sds))
    ]
    ratio_sd, settled_sd = (
        np.sqrt(sum((0.5 * (up[figure] - down[figure])) ** 2 for up, down in moved)) for figure in (0, 1)
    )
    return ByMass(ratio, ratio_sd, settled, settled_sd, told_out)
