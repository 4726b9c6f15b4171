"""How blood and fluid mix while one enters and the other leaves.

During a step `in` mL of fluid enters and `out` mL of blood leaves, both at steady rates, in a volume V that is well
mixed. With C the concentration of haemoglobin and c that of the fluid (0 for saline), mass balance gives
V·dC = in·(c − C), so

    C₁ = c + (C₀ − c)·e^(−in·L),        L = ln(V₁/V₀) / (V₁ − V₀),        V₁ = V₀ + in − out,

and of whatever was there before the step, by mass, e^(−out·L) is left. L is one over the (logarithmic) mean volume:
1/V when the volume is level. Bleeding only (in = 0) and giving only (out = 0) are limits of the same two lines, so
a one-arm session is simply written as steps that draw and steps that give.

Sources: continuous wash-out and its mirror image, Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74; isotope
check of the theory, Blood 1950;5:925 and 938. The form for volumes that are not level follows from the balance.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sessions:
    """Checked figures of many sessions: of the start with shape lead, of the steps with shape (steps,) + lead."""

    volume: Floats  # effective blood volume at the start [mL]
    hb: Floats  # [g/L]
    hbs: Floats  # [%]
    fluid_in: Floats  # [mL]
    blood_out: Floats  # [mL]
    cells_hb: Floats  # haemoglobin in the fluid given, 0 for saline [g/L]


@dataclass(frozen=True, slots=True)
class Wash:
    """How each step mixes; every array has its steps on the first axis: (steps,) + lead."""

    before: Floats  # volume as the step begins [mL]
    after: Floats  # and as it ends [mL]
    turnover: Floats  # e^(−in·L) − 1: less the share of the step's start that its fluid replaces [1]
    old_share: Floats  # concentration of what was there at the start, as a share of that start [1]
    fresh: Floats  # concentration of today's donor haemoglobin [g/L]


def gather(
    *,
    blood_volume_ml: ArrayLike,
    hb_g_l: ArrayLike,
    hbs_pct: ArrayLike,
    in_ml: ArrayLike,
    out_ml: ArrayLike,
    cells_hb_g_l: ArrayLike,
    mixing: ArrayLike = 1.0,
    others: tuple[Floats, ...] = (),
) -> Sessions:
    """Check the figures of many sessions and bring them to one shape.

    Arguments and errors as in `exchange.run_many`; `others` are arrays that must broadcast to lead as well.
    """
    volume, hb, hbs, factor = (np.asarray(v, dtype=float) for v in (blood_volume_ml, hb_g_l, hbs_pct, mixing))
    check_range("blood_volume_ml", volume, 0.0, np.inf, above_low=True)
    check_range("hb_g_l", hb, 0.0, np.inf, above_low=True)
    check_range("hbs_pct", hbs, 0.0, 100.0)
    check_range("mixing", factor, 0.0, np.inf, above_low=True)
    steps = {"in_ml": in_ml, "out_ml": out_ml, "cells_hb_g_l": cells_hb_g_l}
    arrays = {name: np.asarray(value, dtype=float) for name, value in steps.items()}
    for name, array in arrays.items():
        if array.ndim == 0 or array.shape[-1] == 0:
            raise ValueError(f"{name} needs a last axis with at least one step, but has shape {array.shape}")
        check_range(name, array, 0.0, np.inf)
    lead = np.broadcast_shapes(*(array.shape for array in (volume, hb, hbs, factor, *others)))
    shape = np.broadcast_shapes((*lead, 1), *(array.shape for array in arrays.values()))
    start = (np.broadcast_to(array, shape[:-1]) for array in (volume * factor, hb, hbs))
    return Sessions(*start, *(_steps_first(array, shape) for array in arrays.values()))


def trace(sessions: Sessions) -> Wash:
    """Follow the volume through the steps by the formula at the head of this module.

    Once a volume is used up, the figures of that session are nan.
    """
    change = sessions.fluid_in - sessions.blood_out
    after = sessions.volume + np.cumsum(change, axis=0)
    before = np.concatenate([sessions.volume[np.newaxis], after[:-1]])
    turnover = np.expm1(-sessions.fluid_in * inverse_mean_volume(before, change))
    fresh = np.empty_like(turnover)
    held = np.zeros_like(turnover[0])
    for step, turned in enumerate(turnover):
        held = held + (held - sessions.cells_hb[step]) * turned
        fresh[step] = held
    old_share: Floats = np.cumprod(1.0 + turnover, axis=0, dtype=np.float64)
    return Wash(before, after, turnover, old_share, fresh)


def own_removal(*, blood_volume_ml: ArrayLike, in_ml: ArrayLike, out_ml: ArrayLike) -> Floats:
    """−ln of the share of own cells left by mass, Σ out·L over the steps, shape `lead`.

    blood_volume_ml : shape that broadcasts to `lead`. [mL]
    in_ml, out_ml : last axis steps. [mL]
    With level volumes this is volume removed over blood volume (Reverberi and Reverberi 2007, equation of
    removal).
    """
    fluid_in, blood_out = np.broadcast_arrays(np.asarray(in_ml, float), np.asarray(out_ml, float))
    change = fluid_in - blood_out
    volume = np.asarray(blood_volume_ml, dtype=float)[..., np.newaxis]
    before = volume + np.cumsum(change, axis=-1) - change
    return np.asarray(np.sum(blood_out * inverse_mean_volume(before, change), axis=-1))


def inverse_mean_volume(volume_ml: ArrayLike, change_ml: ArrayLike) -> Floats:
    """One over the logarithmic mean of the volume during a step, L = ln(1 + change/volume)/change.

    volume_ml, change_ml : volume before the step and in less out, broadcast together. [mL]
    Returns L [1/mL], 1/volume where the change is 0; nan where the volume would not stay above 0.
    """
    before = np.asarray(volume_ml, dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = np.asarray(change_ml, dtype=float) / before
        level = relative == 0.0
        mean = np.log1p(relative) / np.where(level, 1.0, relative)
        mean = np.where(level, 1.0, mean) / before
    return np.where(relative > -1.0, mean, np.nan)


def check_range(name: str, values: Floats, low: float, high: float, *, above_low: bool = False) -> None:
    """Refuse infinite values and values outside [low, high], or (low, high] with `above_low`; nan passes."""
    too_low = values <= low if above_low else values < low
    wrong = too_low | (values > high) | np.isinf(values)
    if wrong.any():
        lower = f"more than {low:g}" if above_low else f"at least {low:g}"
        upper = "" if np.isinf(high) else f" and at most {high:g}"
        raise ValueError(f"{name} must be finite, {lower}{upper}, but holds {values[wrong].flat[0]:g}")


def _steps_first(values: Floats, shape: tuple[int, ...]) -> Floats:
    """The array broadcast, steps on the first axis and its rows together in memory, which makes bulk runs fast."""
    return np.ascontiguousarray(np.moveaxis(np.broadcast_to(values, shape), -1, 0))
