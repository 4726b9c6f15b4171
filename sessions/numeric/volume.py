"""Blood volume from sex, height, weight and age.

Adults, and anyone from 40 kg whose height is known, have a published formula of height and weight; anyone
under 30 kg or without a height has mL/kg by age; from 30 to 40 kg one passes into the other along a
straight line, and the figures by age are joined by straight lines too, so that nothing jumps at a birthday
or on the scales.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Formula = Literal["nadler", "lemmens", "fixed"]

FIXED_ML_PER_KG = 70.0
"""Usual textbook figure for adults [mL/kg]: common practice."""

AGE_KNOTS_YEARS = (0.0, 0.5, 2.0, 12.0, 18.0)
ML_PER_KG_AT_KNOTS = (85.0, 75.0, 72.5, 72.5, 67.5)
"""Middle of each range [mL/kg]: term newborn 80–90, infant 70–80, child 70–75, adult 65–70, University of
Iowa protocols, 'Maximum allowable blood loss'. The table names no ages: the knots between which it is
joined are chosen here."""

OBESE_CHILD_ML_PER_KG = 62.5
"""Middle of 60–65 mL/kg for the obese child, same table."""

OBESE_AGE_KNOTS_YEARS = (2.0, 5.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0)
OBESE_BMI_AT_KNOTS = (20.0, 19.2, 21.6, 24.1, 26.3, 28.1, 29.2, 30.0)
"""Body mass index that leads to 30 kg/m² at 18 years, mean of both sexes: international cut-offs of Cole TJ
et al., BMJ 2000;320:1240, from memory."""

OBESE_RAMP = 0.1
"""The obese figure is reached gradually, from 10 % under to 10 % over the cut-off. Chosen here; not from a
source."""

BLEND_FROM_KG, BLEND_TO_KG = 30.0, 40.0

HEIGHT_CM = (30.0, 250.0)
WEIGHT_KG = (0.5, 400.0)
AGE_YEARS = (0.0, 120.0)
"""Figures outside these are refused as impossible. Chosen here; not from a source."""


def nadler_ml(*, female: ArrayLike, height_cm: ArrayLike, weight_kg: ArrayLike) -> Floats:
    """Blood volume of an adult [mL].

    female : bool. height_cm [cm], weight_kg [kg]; all broadcast together.
    Men 0.3669·h³ + 0.03219·w + 0.6041 L, women 0.3561·h³ + 0.03308·w + 0.1833 L (h in m, w in kg): Nadler
    SB, Hidalgo JU, Bloch T. Surgery 1962;51:224-32.
    """
    woman = np.asarray(female, dtype=bool)
    metres = np.asarray(height_cm, dtype=float) / 100.0
    litres = (
        np.where(woman, 0.3561, 0.3669) * metres**3
        + np.where(woman, 0.03308, 0.03219) * np.asarray(weight_kg, dtype=float)
        + np.where(woman, 0.1833, 0.6041)
    )
    return np.asarray(1000.0 * litres)


def lemmens_ml(*, height_cm: ArrayLike, weight_kg: ArrayLike) -> Floats:
    """Blood volume of an adult of any build [mL]: 70/√(BMI/22) mL/kg, Lemmens HJM, Bernstein DP, Brodsky JB.

    Obes Surg 2006;16:773-6, second-hand: read in the source of a published R package, not in the paper.
    """
    weight = np.asarray(weight_kg, dtype=float)
    bmi = weight / (np.asarray(height_cm, dtype=float) / 100.0) ** 2
    return np.asarray(70.0 / np.sqrt(bmi / 22.0) * weight)


def ml_per_kg_by_age(*, age_years: ArrayLike, bmi: ArrayLike = np.nan) -> Floats:
    """Blood volume by age [mL/kg]; nan age counts as adult, nan BMI as not obese. Sources at the constants
    above."""
    age = np.asarray(age_years, dtype=float)
    age = np.where(np.isnan(age), AGE_KNOTS_YEARS[-1], age)
    usual = np.interp(age, AGE_KNOTS_YEARS, ML_PER_KG_AT_KNOTS)
    cut_off = np.interp(age, OBESE_AGE_KNOTS_YEARS, OBESE_BMI_AT_KNOTS)
    over = np.nan_to_num(np.asarray(bmi, dtype=float) / cut_off, nan=0.0) - 1.0
    obese = np.clip((over + OBESE_RAMP) / (2.0 * OBESE_RAMP), 0.0, 1.0)
    child = np.clip((AGE_KNOTS_YEARS[-1] - age) / (AGE_KNOTS_YEARS[-1] - AGE_KNOTS_YEARS[-2]), 0.0, 1.0)
    return np.asarray(usual + obese * child * (np.minimum(OBESE_CHILD_ML_PER_KG, usual) - usual))


def blood_volume_ml(
    *,
    female: ArrayLike,
    height_cm: ArrayLike,
    weight_kg: ArrayLike,
    age_years: ArrayLike,
    formula: Formula = "nadler",
    fixed_ml_per_kg: float = FIXED_ML_PER_KG,
) -> Floats:
    """Blood volume [mL] by the rule at the head of this module.

    female : bool, height_cm [cm], weight_kg [kg], age_years [years]; all broadcast together.
    formula : "nadler", "lemmens" (second-hand) or "fixed" (`fixed_ml_per_kg`, which needs no height).

    A nan height leaves mL/kg by age; a nan age means adult rules; a nan weight gives nan. Raises ValueError
    for a figure outside the possible (`HEIGHT_CM`, `WEIGHT_KG`, `AGE_YEARS`) or an unknown formula.
    """
    height, weight, age, _ = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (height_cm, weight_kg, age_years, female))
    )
    _check_range("height_cm", height, HEIGHT_CM)
    _check_range("weight_kg", weight, WEIGHT_KG)
    _check_range("age_years", age, AGE_YEARS)
    by_age = weight * ml_per_kg_by_age(age_years=age, bmi=weight / (height / 100.0) ** 2)
    if formula == "nadler":
        by_formula = nadler_ml(female=female, height_cm=height, weight_kg=weight)
    elif formula == "lemmens":
        by_formula = lemmens_ml(height_cm=height, weight_kg=weight)
    elif formula == "fixed":
        by_formula = fixed_ml_per_kg * weight
    else:
        raise ValueError(f"formula must be 'nadler', 'lemmens' or 'fixed', not {formula!r}")
    share = np.clip((weight - BLEND_FROM_KG) / (BLEND_TO_KG - BLEND_FROM_KG), 0.0, 1.0)
    blended = by_age + share * (by_formula - by_age)
    return np.asarray(np.where(np.isnan(by_formula), by_age, blended))


def volume_rule(
    *, female: bool, height_cm: float, weight_kg: float, age_years: float, formula: Formula = "nadler"
) -> str:
    """The rule that `blood_volume_ml` follows for one person, in words."""
    names = {
        "nadler": "Nadler 1962",
        "lemmens": "Lemmens 2006 (second-hand)",
        "fixed": "the site's fixed mL/kg",
    }
    by_age = "mL/kg by age" if not np.isnan(age_years) else "mL/kg for adults (no birth date)"
    if formula != "fixed" and np.isnan(height_cm):
        return f"{by_age}, because no height is recorded"
    if weight_kg <= BLEND_FROM_KG:
        return f"{by_age}, as for anyone up to {BLEND_FROM_KG:g} kg"
    sex = f" for a {'woman' if female else 'man'}" if formula == "nadler" else ""
    if weight_kg < BLEND_TO_KG:
        share = 10.0 * round(10.0 * (weight_kg - BLEND_FROM_KG) / (BLEND_TO_KG - BLEND_FROM_KG))
        return f"between {by_age} and {names[formula]}{sex} ({share:.0f} % of the way), as for 30 to 40 kg"
    return f"{names[formula]}{sex}"


def _check_range(name: str, values: Floats, allowed: tuple[float, float]) -> None:
    wrong = (values < allowed[0]) | (values > allowed[1])
    if wrong.any():
        raise ValueError(f"{name} must be {allowed[0]:g} to {allowed[1]:g}, but holds {values[wrong].flat[0]:g}")
