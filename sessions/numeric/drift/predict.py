"""Forecasts of the measured HbS before the next session, for any people and days at once."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..predictive import Predictive
from .filter import USUAL_GAP_DAYS, Gap, Passed, pass_gap
from .fit import ProgrammeFit
from .forms import rise
from .person import PeoplePace

Floats = NDArray[np.float64]

BEND_BETWEEN_PEOPLE = 0.1  # how far the bend of one person's course may be from the programme's; chosen here


def predict(
    fit: ProgrammeFit,
    pace: PeoplePace,
    *,
    days: Any,
    after_pct: Any = None,
    after_sd_pct: Any = None,
    hb_after_g_l: Any = None,
) -> Predictive:
    """Spread of the measured HbS `days` after a session, on a visit that is not made for being unwell.

    Args: pace: give it trailing axes with `expanded` where days or after_pct have more than people. days: since the
        session, at least 0. after_pct: true HbS at its end, points; by default what is believed of the last session,
        with its uncertainty. after_sd_pct: SD of after_pct where that is given (0 by default). hb_after_g_l: by default
        that of the last session.
    Returns: forecasts of the shape all arguments broadcast to; nan where nothing is known of the start.
    """
    own = after_pct is None
    after = pace.after_pct if own else np.asarray(after_pct, dtype=float)
    after_var = pace.after_sd**2 if own else np.asarray(0.0 if after_sd_pct is None else after_sd_pct) ** 2
    hb = pace.hb_after_g_l if hb_after_g_l is None else hb_after_g_l
    hb_sd = pace.hb_after_sd if hb_after_g_l is None else 0.0
    days = np.asarray(days, dtype=float)
    gap = Gap(days, pace.untransfused_pct, hb, hb_sd, pace.hb_rest_g_l, 0.0, 1.0, 1.0)
    passed = pass_gap(fit.base_form, fit.values, after, pace.pace, pace.spell, gap)
    # What is not known well stays so: that some forms draw together as HbS nears the top is not taken as knowledge.
    by_after = np.maximum(passed.by_after, 1.0)
    held = _held(fit, pace, after, days, passed)
    by_pace, by_spell = held * passed.by_pace, held * passed.by_spell
    variance = (
        by_after**2 * after_var
        + by_pace**2 * (pace.pace_sd**2 + walk_variance(fit.values, days))
        + by_spell**2 * pace.spell_sd**2
        + 2.0 * by_pace * by_spell * pace.pace_spell_cov
        + held**2 * passed.noise
        + (by_pace * pace.pace) ** 2 * _beyond_usual(fit, pace, days)
        + fit.values["assay_sd"] ** 2
    )
    if own:
        shared = by_pace * pace.after_pace_cov + by_spell * pace.after_spell_cov
        variance = variance + 2.0 * by_after * shared
    return Predictive(passed.hbs, fit.calibration.spread(variance, pace.n_gaps), fit.calibration.shape)


def _held(fit: ProgrammeFit, pace: PeoplePace, after: Any, days: Floats, passed: Passed) -> Any:
    """By what factor to widen so that nothing is surer beyond the usual interval because the climb bends there."""
    share = np.minimum(pace.usual_interval_days / np.maximum(days, 1.0), 1.0)
    at_usual = rise(
        fit.base_form,
        after_pct=after,
        climb=passed.climb * share,
        untransfused_pct=pace.untransfused_pct,
        turnover=fit.values["turnover"] * days * share,
    )
    return np.where(share < 1.0, np.maximum(at_usual.by_climb / passed.by_climb, 1.0), 1.0)


def walk_variance(values: Mapping[str, float], days: Any) -> Any:
    """Variance ((points a day)²) by which a pace wanders in so many days."""
    return values["pace_walk_sd"] ** 2 * days / USUAL_GAP_DAYS


def _beyond_usual(fit: ProgrammeFit, pace: PeoplePace, days: Floats) -> Any:
    """Relative variance of the climb because its form is less known beyond this person's usual interval.

    A pace learnt at one length of gap fits any form there, and forms part from it as (d/usual)^bend do; the less the
    programme's gaps differ in length, the less is known of the bend, and the more all forms count.
    """
    further = np.log(np.maximum(days / pace.usual_interval_days, 1.0))
    return further**2 * (fit.bend_se**2 + BEND_BETWEEN_PEOPLE**2)
