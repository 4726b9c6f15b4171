"""How HbS rises in a gap between two sessions: the candidate forms.

Every form says `before = after + rise(after, climb)`, where `climb = onset + pace·days` is what someone at the
reference (REFERENCE_AFTER_PCT after the session, REFERENCE_UNTRANSFUSED_PCT untransfused) would rise along a
straight line. So paces are in points of % a day in every form, and their spread and priors mean the same.

linear     rise = climb. The published rule: a person's mean daily rise is a stable trait (Transfusion
           2024;64:685-92, doi 10.1111/trf.17797).
two_pool   U − S(t) = (U − S₀)(1 − e)(1 − k·t): donor cells of all ages are lost along a straight line and own
           cells take their place, so the climb is in proportion to the donor share. Residual-life theory; with
           the life-span law of Shrestha RP et al. (J Pharmacokinet Pharmacodyn 2016;43:259-74) the line is right
           to 0.1 point up to 56 days. Here onset = e·(U_ref − S_ref) and pace = k·(1 − e)·(U_ref − S_ref).
logit      logit(S/U) rises along a straight line: slow near nothing and near U. Chosen here; not from a source.
graded     rise = climb·((U − S₀)/(U_ref − S_ref))^grade, the exponent learnt; linear is grade 0 and two_pool
           grade 1. Chosen here; not from a source.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FORMS = ("linear", "two_pool", "logit", "graded")

REFERENCE_AFTER_PCT = 15.0
REFERENCE_UNTRANSFUSED_PCT = 90.0
REFERENCE_HB_G_L = 105.0
DONOR_REFERENCE_PCT = REFERENCE_UNTRANSFUSED_PCT - REFERENCE_AFTER_PCT

# Half-way up a usual gap from 15 to 30 of 90, so that logit and straight lines mean the same by one pace.
_LOGIT_REFERENCE = 22.5 * (1.0 - 22.5 / REFERENCE_UNTRANSFUSED_PCT)
_LEAST_DONOR_PCT = 1.0
_LEAST_HBS_PCT = 0.5


class Rise(NamedTuple):
    """Rise in a gap (points), its slope by HbS after (points a point) and by climb (points a point)."""

    points: Floats
    by_after: Floats
    by_climb: Floats


def rise(form: str, *, after_pct: Any, climb: Any, untransfused_pct: Any, grade: Any = 0.0) -> Rise:
    """Rise of HbS from `after_pct` for one of FORMS; everything broadcasts.

    Args: after_pct: HbS at the start, points. climb: rise of a reference person, points. untransfused_pct: HbS
        without donor cells, points. grade: exponent of `graded`.
    Returns: the rise and its slopes. Raises: ValueError for an unknown form.
    """
    if form == "linear":
        return _graded(after_pct, climb, untransfused_pct, 0.0)
    if form == "two_pool":
        return _graded(after_pct, climb, untransfused_pct, 1.0)
    if form == "graded":
        return _graded(after_pct, climb, untransfused_pct, grade)
    if form == "logit":
        return _logit(after_pct, climb, untransfused_pct)
    raise ValueError(f"No drift form is called {form!r}; allowed are {', '.join(FORMS)}.")


def _graded(after_pct: Any, climb: Any, untransfused_pct: Any, grade: Any) -> Rise:
    donor = np.maximum(untransfused_pct - after_pct, _LEAST_DONOR_PCT)
    by_climb = (donor / DONOR_REFERENCE_PCT) ** grade
    points = climb * by_climb
    return Rise(points, -grade * points / donor, by_climb)


def _logit(after_pct: Any, climb: Any, untransfused_pct: Any) -> Rise:
    top = np.maximum(untransfused_pct, 2.0 * _LEAST_HBS_PCT)
    share = np.clip(after_pct, _LEAST_HBS_PCT, top - _LEAST_HBS_PCT) / top
    growth = np.exp(np.clip(climb / _LOGIT_REFERENCE, -20.0, 20.0))
    end = share * growth / (1.0 - share + share * growth)
    # Beyond half-way the slopes are held at their largest: nearing the top is not taken as knowing better.
    steepest = np.where(end > 0.5, np.maximum(share, 0.5), end)
    slope = steepest * (1.0 - steepest)
    return Rise(top * (end - share), slope / (share * (1.0 - share)) - 1.0, top * slope / _LOGIT_REFERENCE)
