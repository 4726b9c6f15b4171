"""How much saline may be given and blood be drawn in one session, and what is said where more was.

No published limit of saline was found; the values are the site's settings, where default and ground of each stand.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

SMALL_BODY_KG = 40.0  # under this, limits go by weight, and the weight itself must be new; common practice
SMALL_BODY_OUT_ML_PER_KG = 50.0  # chosen here; about 0.7 of a child's blood volume
SLACK_ML = 10.0
"""So much past a stop is not said: a bag holds some millilitres more. Chosen here."""


def saline_stop_ml(weight_kg: ArrayLike, settings: Mapping[str, float]) -> NDArray[np.float64]:
    """Return the most saline of one session, of the shape of `weight_kg`. [mL]"""
    return np.asarray(weight_kg, dtype=float) * settings["saline_stop_ml_per_kg"]


def blood_out_stop_ml(weight_kg: ArrayLike, settings: Mapping[str, float]) -> NDArray[np.float64]:
    """Return the most blood drawn in one session, of the shape of `weight_kg`; less by weight for a small body. [mL]"""
    weight = np.asarray(weight_kg, dtype=float)
    out = np.full(weight.shape, settings["blood_out_stop_ml"])
    return np.where(weight < SMALL_BODY_KG, np.minimum(out, weight * SMALL_BODY_OUT_ML_PER_KG), out)


def is_past(done_ml: float, most_ml: float) -> bool:
    """Say whether a volume lies past the most it may be, by more than bags and scales can tell."""
    return done_ml > most_ml + SLACK_ML


def past_words(done_ml: float, stop_ml: float, planned_ml: float) -> str:
    """Return how far a volume lies past its stop, or past the signed plan where that has more; '' where it does not."""
    if not is_past(done_ml, max(stop_ml, planned_ml)):
        return ""
    if planned_ml > stop_ml:
        return f"{done_ml:,.0f} mL; allowed is {stop_ml:,.0f} mL, and the signed plan has {planned_ml:,.0f} mL"
    return f"{done_ml:,.0f} mL; allowed is {stop_ml:,.0f} mL"
