"""How sure the outcome of a session is: first-order propagation (delta method), worked out analytically.

Errors taken as independent of one another: effective blood volume; all fluid given (one relative error, as
of a pump or a scale); all blood drawn (likewise); haemoglobin in each unit; haemoglobin before; HbS before.
With w = in·L of a step (see `wash`), an error moves the volume at the step's start by δV and the fluids
by δin and δout, and

    δw = L·δin + in·(−δV/(V₀·V₁) + φ′(x)·(δin − δout)/V₀²),        x = (in − out)/V₀,   φ(x) = ln(1 + x)/x,

from which the derivatives of every concentration follow by the same recursion as the concentrations
themselves.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from programme.core.numeric.setting_table import DEFAULTS
from sessions.numeric.wash import Sessions, Wash, gather, inverse_mean_volume, trace

Floats = NDArray[np.float64]

BLOOD_VOLUME_REL_SD = 0.10
"""Formula against measured blood volume, relative. The reference range of ±25 % for 98 to 99 % of people
(Pearson TC et al., Br J Haematol 1995;89:748-56) is an SD of about 10 %."""

FLUID_IN_REL_SD = 0.03
"""Fluid really given against fluid written down, relative. Chosen here; not from a source."""

BLOOD_OUT_REL_SD = 0.04
"""Blood really drawn against blood written down, relative. Chosen here: a bag of blood weighed as if 1 g
were 1 mL is 4.3 % out (densities of Trudnowski RJ, Rico RC, Clin Chem 1974;20:615-6)."""

UNIT_HB_SD_G = 5.0
"""Spread of haemoglobin between units: 50 ± 5 g, Australian Red Cross Lifeblood, July–December 2022. [g]"""


@dataclass(frozen=True, slots=True)
class OutcomeSpread:
    """Standard deviations of one session's outcome, each of shape `lead`.

    `highest_hb` and `lowest_hb` are those of the step that is highest or lowest by the central figures.
    """

    hbs: Floats  # HbS at the end, without the noise of measuring it afterwards [points of %]
    hbs_ratio: Floats  # HbS % after over before [1]
    hb_end: Floats  # [g/L]
    hb_settled: Floats  # [g/L]
    highest_hb: Floats  # [g/L]
    lowest_hb: Floats  # [g/L]
    hbs_hb_correlation: Floats  # of `hbs` with `hb_settled`; nan when either is certain [1]


@dataclass(frozen=True, slots=True)
class _Tangent:
    """What one error of one SD does: to Hb after each step, to ln of the HbS ratio at the end, to Hb
    settled."""

    step_hb: Floats
    log_ratio: Floats
    settled: Floats


def outcome_spread(
    *,
    blood_volume_ml: ArrayLike,
    hb_g_l: ArrayLike,
    hbs_pct: ArrayLike,
    in_ml: ArrayLike,
    out_ml: ArrayLike,
    cells_hb_g_l: ArrayLike,
    mixing: ArrayLike = 1.0,
    blood_volume_rel_sd: ArrayLike = BLOOD_VOLUME_REL_SD,
    fluid_in_rel_sd: ArrayLike = FLUID_IN_REL_SD,
    blood_out_rel_sd: ArrayLike = BLOOD_OUT_REL_SD,
    unit_hb_sd_g: float = UNIT_HB_SD_G,
    unit_hb_g: float = DEFAULTS["unit_hb_g"],
    hb_sd_g_l: ArrayLike = DEFAULTS["hb_assay_sd_g_l"],
    hbs_sd_pct: ArrayLike = DEFAULTS["hbs_assay_sd_pct"],
) -> OutcomeSpread:
    """Spread of what `exchange.run_many` gives for the same first seven arguments (shapes and units there).

    The `_rel_sd` are relative, `unit_hb_sd_g` is that of a unit of `unit_hb_g` [g], `hb_sd_g_l` [g/L] and
    `hbs_sd_pct` [points] those of the values before the session; each may be an array that broadcasts to
    `lead`. A step that holds half a unit or two units has the variance of its share, so cutting a unit in
    two changes nothing.

    nan in, nan out. Formula at the head of this module; how the errors are grouped is chosen here, not from
    a source.
    """
    deviations = (blood_volume_rel_sd, fluid_in_rel_sd, blood_out_rel_sd, hb_sd_g_l, hbs_sd_pct)
    volume_sd, in_sd, out_sd, hb_sd, hbs_sd = (np.asarray(sd, dtype=float) for sd in deviations)
    sessions = gather(
        blood_volume_ml=blood_volume_ml,
        hb_g_l=hb_g_l,
        hbs_pct=hbs_pct,
        in_ml=in_ml,
        out_ml=out_ml,
        cells_hb_g_l=cells_hb_g_l,
        mixing=mixing,
        others=(volume_sd, in_sd, out_sd, hb_sd, hbs_sd),
    )
    wash = trace(sessions)
    still = np.zeros_like(sessions.volume)
    none = np.zeros_like(sessions.fluid_in)
    with np.errstate(divide="ignore", invalid="ignore"):
        tangents = [
            _volume_tangent(sessions, wash, sd=volume_sd, shift=sessions.volume, moved_in=none, moved_out=none),
            _volume_tangent(sessions, wash, sd=in_sd, shift=still, moved_in=sessions.fluid_in, moved_out=none),
            _volume_tangent(sessions, wash, sd=out_sd, shift=still, moved_in=none, moved_out=sessions.blood_out),
            _hb_tangent(sessions, wash, sd=hb_sd),
        ]
        unit_variance = _unit_variance(sessions, wash, variance_per_g=unit_hb_sd_g**2 / unit_hb_g)
        return _spread(sessions, wash, tangents, unit_variance, hbs_sd)


def _volume_tangent(
    sessions: Sessions, wash: Wash, *, sd: Floats, shift: Floats, moved_in: Floats, moved_out: Floats
) -> _Tangent:
    """An error that, for each unit of `sd`, moves the starting volume by `shift` and the fluids as given."""
    moved = moved_in - moved_out
    moved_before = shift + np.cumsum(moved, axis=0) - moved
    change = sessions.fluid_in - sessions.blood_out
    wash_moved = inverse_mean_volume(wash.before, change) * moved_in + sessions.fluid_in * (
        _phi_slope(change / wash.before) * moved / wash.before**2 - moved_before / (wash.before * wash.after)
    )
    log_old = -np.cumsum(wash_moved, axis=0)
    fresh_moved = np.empty_like(wash.fresh)
    held_moved, held = np.zeros_like(sessions.hb), np.zeros_like(sessions.hb)
    for step, turned in enumerate(wash.turnover):
        held_moved = (1.0 + turned) * (held_moved + (sessions.cells_hb[step] - held) * wash_moved[step])
        held = wash.fresh[step]
        fresh_moved[step] = held_moved
    old = sessions.hb * wash.old_share
    hb_moved = old * log_old + fresh_moved
    end_hb = old[-1] + wash.fresh[-1]
    end_volume = wash.after[-1] / sessions.volume
    end_volume_moved = (moved.sum(axis=0) - shift * (end_volume - 1.0)) / sessions.volume
    settled = hb_moved[-1] * end_volume + end_hb * end_volume_moved
    return _Tangent(sd * hb_moved, sd * (log_old[-1] - hb_moved[-1] / end_hb), sd * settled)


def _hb_tangent(sessions: Sessions, wash: Wash, *, sd: Floats) -> _Tangent:
    """An error of haemoglobin before the session."""
    share = wash.old_share[-1]
    end_hb = sessions.hb * share + wash.fresh[-1]
    settled = share * wash.after[-1] / sessions.volume
    return _Tangent(sd * wash.old_share, sd * (1.0 / sessions.hb - share / end_hb), sd * settled)


def _unit_variance(sessions: Sessions, wash: Wash, *, variance_per_g: float) -> Floats:
    """Variance of Hb after each step that comes from differences between units. [(g/L)²]"""
    litres = sessions.fluid_in / 1000.0
    fluid_variance = np.where(litres > 0.0, variance_per_g * sessions.cells_hb / litres, 0.0)
    variance = np.empty_like(wash.fresh)
    held = np.zeros_like(wash.fresh[0])
    for step, turned in enumerate(wash.turnover):
        held = (1.0 + turned) ** 2 * held + turned**2 * fluid_variance[step]
        variance[step] = held
    return variance


def _spread(
    sessions: Sessions, wash: Wash, tangents: list[_Tangent], unit_variance: Floats, hbs_sd: Floats
) -> OutcomeSpread:
    step_hb = sessions.hb * wash.old_share + wash.fresh
    end_hb, end_volume = step_hb[-1], wash.after[-1] / sessions.volume
    ratio = sessions.hb * wash.old_share[-1] / end_hb
    hb_sd = np.sqrt(sum((t.step_hb**2 for t in tangents), start=unit_variance))
    log_ratio_variance = sum((t.log_ratio**2 for t in tangents), start=unit_variance[-1] / end_hb**2)
    settled_sd = np.sqrt(sum((t.settled**2 for t in tangents), start=unit_variance[-1] * end_volume**2))
    shared = sum((t.log_ratio * t.settled for t in tangents), start=-unit_variance[-1] * end_volume / end_hb)
    sd_of_hbs = ratio * np.sqrt(sessions.hbs**2 * log_ratio_variance + hbs_sd**2)
    start_sd = np.abs(tangents[-1].step_hb[0] / wash.old_share[0])
    moments = np.concatenate([sessions.hb[np.newaxis], step_hb])
    moment_sd = np.concatenate([np.broadcast_to(start_sd, sessions.hb.shape)[np.newaxis], hb_sd])
    return OutcomeSpread(
        hbs=sd_of_hbs,
        hbs_ratio=ratio * np.sqrt(log_ratio_variance),
        hb_end=hb_sd[-1],
        hb_settled=settled_sd,
        highest_hb=_at(moment_sd, moments.argmax(axis=0)),
        lowest_hb=_at(moment_sd, moments.argmin(axis=0)),
        hbs_hb_correlation=sessions.hbs * ratio * shared / (sd_of_hbs * settled_sd),
    )


def _at(values: Floats, step: NDArray[np.intp]) -> Floats:
    return np.asarray(np.take_along_axis(values, step[np.newaxis], axis=0)[0])


def _phi_slope(x: Floats) -> Floats:
    """φ′(x) = (1/(1 + x) − φ(x))/x, by its series near 0 where the difference would lose its digits."""
    small = np.abs(x) < 1e-3
    safe = np.where(small, 1.0, x)
    with np.errstate(invalid="ignore", divide="ignore"):
        exact = (1.0 / (1.0 + safe) - np.log1p(safe) / safe) / safe
    return np.where(small, -0.5 + x * (2.0 / 3.0 - 0.75 * x), exact)
