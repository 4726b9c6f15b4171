"""A person's effective mixing volume, learnt from what their sessions really removed.

The volume in which blood and fluid behave as if they mixed is not quite the formula's: it holds imperfect
mixing, errors of bags and of assays too. Each finished session tells how much of the own cells it removed
(−ln of the share left, by mass) against what the same volumes should remove at the formula volume. That
*removal ratio* q is 1 over the mixing factor, and unlike the factor it is linear in what was measured: about
13 % error a session, without bias, and no harm done when a small session seems to have removed nothing.

Sessions of one person are pooled, people are shrunk towards the site's own centre, and the factor is held
within ±25 %. It predicts HbS and Hb only; limits in mL/kg and balances keep the formula.

Haemodilution found real volumes 13 to 15 % under the one-compartment figure (Manel J et al. 1988, 229 cases:
1,325 ± 642 against 1,526 ± 561 mL), which is why the centre is learnt and not taken as 1. The way of pooling
(moments, as in DerSimonian R, Laird N, Control Clin Trials 1986;7:177-88, from memory) is ordinary; its prior
widths are chosen here.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from programme.core.numeric.setting_table import DEFAULTS
from sessions.numeric.wash import own_removal

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CENTRE_PRIOR, CENTRE_PRIOR_SD = 1.0, 0.10
"""Removal ratio of a site before it has sessions: the formula, with 13 % less volume within 1.5 SD. Chosen
here."""

BETWEEN_PRIOR_SD, BETWEEN_PRIOR_PEOPLE = 0.10, 5.0
"""Spread between people before a site knows its own, and the number of people that guess is worth. Chosen
here."""

SESSION_PRIOR_SD, SESSION_PRIOR_SESSIONS = 0.08, 10.0
"""Spread between one person's sessions beyond the assay (bags, mixing), and what that guess is worth. Chosen
here."""

FACTOR_RANGE = (0.75, 1.25)
"""The factor is held within ±25 %. Chosen here; not from a source."""

_AT_BOUND = 5e-4
"""Factors are kept to a thousandth, so one this near to a bound stands at it."""

LEFT_OUT_BEYOND_SD = 3.5
"""A session further than this from the middle of all is left out: a wrong tube or wrong volumes. Chosen
here."""

_NEWTON_STEPS = 6


@dataclass(frozen=True, slots=True)
class MixingFit:
    """What a site's sessions say of everybody: removal ratios and their variances. [1]

    middle : of all sessions; who lies too far from it is left out. session_variance : between one person's sessions,
    beyond the assay. between_variance : between people. centre, centre_variance : of people.
    """

    middle: float
    session_variance: float
    between_variance: float
    centre: float
    centre_variance: float

    @property
    def centre_factor(self) -> float:
        """Mixing factor of the site, effective over formula blood volume. [1]"""
        return 1.0 / self.centre


@dataclass(frozen=True, slots=True)
class PersonalMixing:
    """Mixing factors of people; arrays of shape (n_people,)."""

    factor: Floats  # effective over formula blood volume [1]
    factor_sd: Floats
    sessions: Ints  # sessions that count for this person
    left_out: Ints  # sessions that do not, being too far from everyone's


def removal_ratio(
    *,
    blood_volume_ml: ArrayLike,
    in_ml: ArrayLike,
    out_ml: ArrayLike,
    hb_before_g_l: ArrayLike,
    hb_after_g_l: ArrayLike,
    hbs_before_pct: ArrayLike,
    hbs_after_pct: ArrayLike,
) -> Floats:
    """How much of the own cells each session removed against the ideal for its volumes, as ratio of logs. [1]

    in_ml, out_ml : last axis steps [mL]; the others of shape lead, formula volume [mL], Hb [g/L], HbS [%].
    q solves −ln(share left) = Σ out·L(V/q) over the steps, where the share left by mass is measured, HbS
    after times Hb after over both before; Hb after is taken as settled. With level volumes q is the plain
    ratio of logs. Where the measured share is 1 or more, q is 0 or less: nothing removed. nan where a figure
    is missing.
    """
    volume, hb_0, hb_1, hbs_0, hbs_1 = (
        np.asarray(v, dtype=float)
        for v in (blood_volume_ml, hb_before_g_l, hb_after_g_l, hbs_before_pct, hbs_after_pct)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        removed = np.log((hbs_0 * hb_0) / (hbs_1 * hb_1))
        removed = np.where(np.isfinite(removed), removed, np.nan)
        drawn = np.asarray(out_ml, dtype=float).sum(axis=-1)
        linear = np.where(drawn > 0.0, removed * volume / np.where(drawn > 0.0, drawn, 1.0), np.nan)
    fluid = {"in_ml": in_ml, "out_ml": out_ml}
    ratio = np.maximum(linear, 1e-6)
    for _ in range(_NEWTON_STEPS):
        here = own_removal(blood_volume_ml=volume / ratio, **fluid)
        ratio = np.clip(ratio - (here - removed) / _slope(volume, ratio, here, fluid), ratio / 2.0, ratio * 2.0)
    return np.where(linear > 0.0, ratio, linear)


def removal_ratio_sd(
    *,
    blood_volume_ml: ArrayLike,
    in_ml: ArrayLike,
    out_ml: ArrayLike,
    hb_before_g_l: ArrayLike,
    hb_after_g_l: ArrayLike,
    hbs_before_pct: ArrayLike,
    hbs_after_pct: ArrayLike,
    hb_sd_g_l: ArrayLike = DEFAULTS["hb_assay_sd_g_l"],
    hbs_sd_pct: ArrayLike = DEFAULTS["hbs_assay_sd_pct"],
) -> Floats:
    """Error of `removal_ratio` that comes from measuring, same arguments; `_sd` of one Hb [g/L] and HbS
    [points] value.

    √(Σ(SD/value)²) over the ideal removal of the volumes, by first order.
    """
    pairs = ((hb_sd_g_l, (hb_before_g_l, hb_after_g_l)), (hbs_sd_pct, (hbs_before_pct, hbs_after_pct)))
    with np.errstate(divide="ignore", invalid="ignore"):  # HbS of 0 has no relative error, and no ratio either
        relative = [
            (np.asarray(sd, dtype=float) / np.asarray(value, dtype=float)) ** 2
            for sd, values in pairs
            for value in values
        ]
    ideal = own_removal(blood_volume_ml=blood_volume_ml, in_ml=in_ml, out_ml=out_ml)
    error = np.sqrt(relative[0] + relative[1] + relative[2] + relative[3])
    return np.asarray(error / np.where(ideal > 0.0, ideal, np.nan))


def learn_mixing(*, person: Ints, removal_ratio: Floats, removal_ratio_sd: Floats, n_people: int) -> MixingFit:
    """What a site's sessions say of everybody; arguments as in `personal_mixing`. Without sessions it is the prior."""
    ratio, error = np.asarray(removal_ratio), np.asarray(removal_ratio_sd)
    known = np.isfinite(ratio) & np.isfinite(error)
    middle = float(np.median(ratio[known])) if known.any() else CENTRE_PRIOR
    counts = known & _is_near(ratio, error, middle)
    people, ratio, error = np.asarray(person)[counts], ratio[counts], error[counts]
    session_variance = _session_variance(people, ratio, error, n_people)
    mean, precision, sessions = _pool(people, ratio, 1.0 / (error**2 + session_variance), n_people)
    between_variance = _between_variance(mean, precision, sessions)
    centre, centre_variance = _centre(mean, precision, sessions, between_variance)
    return MixingFit(middle, session_variance, between_variance, centre, centre_variance)


def personal_mixing(
    fit: MixingFit, *, person: Ints, removal_ratio: Floats, removal_ratio_sd: Floats, n_people: int
) -> PersonalMixing:
    """Mixing factor of each of these people, from the removal ratios of their own sessions and the site's fit.

    person : number of the person of each session, 0 … n_people − 1; shape (n,).
    removal_ratio, removal_ratio_sd : of each session, shape (n,); a session with nan does not count. [1]
    Someone without sessions has the centre, and its full spread. Raises ValueError for a person out of range.
    """
    people, ratio, error = np.asarray(person), np.asarray(removal_ratio), np.asarray(removal_ratio_sd)
    if people.size and (people.min() < 0 or people.max() >= n_people):
        raise ValueError(f"person must be 0 to {n_people - 1}, but holds {people.min()} and {people.max()}")
    known = np.isfinite(ratio) & np.isfinite(error)
    counts = known & _is_near(ratio, error, fit.middle)
    weight = 1.0 / (error[counts] ** 2 + fit.session_variance)
    mean, precision, sessions = _pool(people[counts], ratio[counts], weight, n_people)
    prior_variance = fit.between_variance + fit.centre_variance
    posterior = 1.0 / (precision + 1.0 / prior_variance)
    personal = posterior * (precision * mean + fit.centre / prior_variance)
    factor = np.clip(1.0 / np.maximum(personal, 1e-6), *FACTOR_RANGE)
    return PersonalMixing(
        factor=factor,
        factor_sd=np.sqrt(posterior) * factor**2,
        sessions=sessions,
        left_out=np.bincount(people[known & ~counts], minlength=n_people).astype(np.int64),
    )


def bound_words(factor: float) -> str:
    """Say that a mixing factor stands at a bound of `FACTOR_RANGE`; '' for one inside, and for nan.

    factor : effective over formula blood volume [1]. What the sessions would have led to beyond it is not known here.
    """
    least, most = FACTOR_RANGE
    if factor >= most - _AT_BOUND:
        return f"held at its upper bound, {100 * (most - 1):.0f} % over the formula"
    if factor <= least + _AT_BOUND:
        return f"held at its lower bound, {100 * (1 - least):.0f} % under the formula"
    return ""


def _is_near(ratio: Floats, error: Floats, middle: float) -> NDArray[np.bool_]:
    """Whether each session lies near enough to the middle of all to count; False for nan."""
    width = np.sqrt(error**2 + SESSION_PRIOR_SD**2 + BETWEEN_PRIOR_SD**2)
    return np.asarray(np.abs(ratio - middle) <= LEFT_OUT_BEYOND_SD * width)


def _slope(volume: Floats, ratio: Floats, removed: Floats, fluid: dict[str, ArrayLike]) -> Floats:
    """Derivative of the removal by the ratio, from one small step; the removal is nearly proportional to the
    ratio."""
    nudge = 1e-5
    further = own_removal(blood_volume_ml=volume / (ratio * (1.0 + nudge)), **fluid)
    return np.asarray((further - removed) / (ratio * nudge))


def _pool(people: Ints, ratio: Floats, weight: Floats, n_people: int) -> tuple[Floats, Floats, Ints]:
    """Weighted mean (0 where there is none), its precision and the number of sessions of each person."""
    precision: Floats = np.bincount(people, weights=weight, minlength=n_people).astype(np.float64)
    total = np.bincount(people, weights=weight * ratio, minlength=n_people)
    sessions = np.bincount(people, minlength=n_people).astype(np.int64)
    return total / np.where(precision > 0.0, precision, 1.0), precision, sessions


def _session_variance(people: Ints, ratio: Floats, error: Floats, n_people: int) -> float:
    """Variance between one person's sessions beyond measuring error, by moments, mixed with its prior
    guess."""
    weight = 1.0 / error**2
    mean, precision, sessions = _pool(people, ratio, weight, n_people)
    squares = float(np.sum(weight * (ratio - mean[people]) ** 2))
    seen = sessions > 0
    weight_squares = np.bincount(people, weights=weight**2, minlength=n_people)
    freedom = float(np.sum(sessions[seen] - 1))
    scale = float(np.sum(precision[seen] - weight_squares[seen] / precision[seen]))
    found = max((squares - freedom) / scale, 0.0) if freedom > 0.0 and scale > 0.0 else 0.0
    worth = SESSION_PRIOR_SESSIONS
    return (freedom * found + worth * SESSION_PRIOR_SD**2) / (freedom + worth)


def _between_variance(mean: Floats, precision: Floats, sessions: Ints) -> float:
    """Variance between people, by moments, mixed with its prior guess."""
    mean, weight = mean[sessions > 0], precision[sessions > 0]
    freedom, worth = max(len(mean) - 1.0, 0.0), BETWEEN_PRIOR_PEOPLE
    found = 0.0
    if freedom > 0.0:
        pooled = np.sum(weight * mean) / np.sum(weight)
        squares = float(np.sum(weight * (mean - pooled) ** 2))
        found = max((squares - freedom) / float(np.sum(weight) - np.sum(weight**2) / np.sum(weight)), 0.0)
    return (freedom * found + worth * BETWEEN_PRIOR_SD**2) / (freedom + worth)


def _centre(mean: Floats, precision: Floats, sessions: Ints, between_variance: float) -> tuple[float, float]:
    """Centre of the people's removal ratios and its variance, with the prior for a site without sessions."""
    seen = sessions > 0
    weight = 1.0 / (1.0 / precision[seen] + between_variance)
    prior_weight = 1.0 / CENTRE_PRIOR_SD**2
    total = float(np.sum(weight)) + prior_weight
    return (float(np.sum(weight * mean[seen])) + prior_weight * CENTRE_PRIOR) / total, 1.0 / total
