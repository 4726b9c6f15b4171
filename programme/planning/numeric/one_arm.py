"""Sessions through one arm: blood is drawn first and the fluid given into the smaller volume, part by part.

A go of `a` mL in k equal parts, each drawn and then given, in a volume V leaves (1 − a/kV)^k of what was there, and
Hb = c + (C − c)·(1 − a/kV)^k with c the Hb of the fluid: drawing leaves the concentration as it is, giving back thins
it by d/V. Given first and then drawn it is (1 + a/kV)^(−k), which is the same expression with −k for k, and both tend
to e^(−a/V), in and out at once, as k grows. So one signed number of parts says how a go is done. Drawing first takes
off a little more of the own cells than both at once (draw, then give is the first discrete case in Reverberi R,
Reverberi L, Blood Transfus 2007;5:164-74), and costs a deficit as large as one part at every draw. Whoever may not be
depleted first is given first, which costs an excess of one part instead (chosen here; not from a source).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

AT_ONCE = np.inf
"""The size of a part where fluid goes in as blood comes out."""

TWO_ARM, ONE_ARM, AUTOMATED = "two_arm", "one_arm", "automated"
METHODS = (TWO_ARM, ONE_ARM, AUTOMATED)


def parts_of(volumes_ml: Floats, unit_ml: float, part_ml: Floats) -> Floats:
    """How many parts each go has, signed like `part_ml`; inf where part_ml is AT_ONCE.

    volumes_ml : [steps, ..., P], saline on even steps and whole units on odd ones. part_ml : [P], largest part, below 0
    where it is given before it is drawn. A unit is cut by itself, so that no part holds two. [mL]
    """
    size = np.abs(part_ml)
    with np.errstate(invalid="ignore"):
        saline = np.ceil(np.maximum(volumes_ml[0::2], 1.0) / size - 1e-9)
        cells = np.maximum(np.round(volumes_ml[1::2] / unit_ml), 1.0) * np.ceil(unit_ml / size - 1e-9)
    parts = np.empty_like(volumes_ml)
    parts[0::2], parts[1::2] = saline, cells
    return np.where(np.isinf(size), np.inf, np.copysign(parts, part_ml))


def washed(turned: Floats, parts: ArrayLike | None) -> tuple[Floats, Floats]:
    """What is left of what was there, and −d ln(left)/d ln(1/V)·(−1), that is how much it depends on the volume.

    turned : a/V of a go. parts : signed, as `parts_of` gives; None where all go in and out at once.
    """
    if parts is None:
        return np.exp(-turned), turned
    share = turned / np.asarray(parts)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = np.where(share == 0.0, np.exp(-turned), (1.0 - share) ** np.asarray(parts))
    return left, turned / (1.0 - share)


def cut_up(
    in_ml: Floats, out_ml: Floats, fluid_hb_g_l: Floats, *, unit_ml: float, part_ml: float, rounding_ml: float
) -> tuple[tuple[float, float, float], ...]:
    """One person's goes as the steps that are carried out, (in_ml, out_ml, Hb of the fluid) each; empty goes left out.

    in_ml, out_ml, fluid_hb_g_l : [goes]. A go without fluid or without a draw stays whole.
    """
    steps: list[tuple[float, float, float]] = []
    for given, drawn, hb in zip(in_ml.tolist(), out_ml.tolist(), fluid_hb_g_l.tolist(), strict=True):
        if given <= 0.0 and drawn <= 0.0:
            continue
        if np.isinf(part_ml) or given <= 0.0 or drawn <= 0.0:
            steps.append((given, drawn, hb))
            continue
        first = 1 if hb > 0.0 else 0
        parts = int(abs(parts_of(np.array([[given]] * 2), unit_ml, np.array([part_ml]))[first, 0]))
        marks = np.round(np.linspace(0.0, drawn, parts + 1) / rounding_ml) * rounding_ml
        marks[-1] = drawn
        saline = marks if hb == 0.0 and given == drawn else np.linspace(0.0, given, parts + 1)
        for draw, give in zip(np.diff(marks).tolist(), np.diff(saline).tolist(), strict=True):
            pair = [(0.0, draw, 0.0), (give, 0.0, hb)]
            steps += pair if part_ml > 0.0 else pair[::-1]
    return tuple(steps)
