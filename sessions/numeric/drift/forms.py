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
graded     u = 1 − S/U is lost at a rate that falls as u does, u' = −u·(k + turnover·(u − u_ref)): own cells are
           made, and both kinds are lost, own ones by `turnover` a day faster. With M the grams of Hb, made at m·M,
           S/U = own/M gives x' = (1 − x)·(m − turnover·x), x = 1 − u: a mass balance of two pools, solved in
           closed form. Own cells last about two weeks, donor cells about 115 days (Franco RS et al. J Clin Invest
           1998;101:2730-40; Shrestha above), which would make turnover up to 0.05; it is learnt, and 0 is two pools
           with exponential loss. Here pace = k·(U_ref − S_ref).
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FORMS = ("linear", "two_pool", "logit", "graded")

REFERENCE_AFTER_PCT = 15.0
REFERENCE_UNTRANSFUSED_PCT = 90.0
REFERENCE_HB_G_L = 95.0  # mean of a gap
REFERENCE_REST_G_L = 85.0
DONOR_REFERENCE_PCT = REFERENCE_UNTRANSFUSED_PCT - REFERENCE_AFTER_PCT

# Half-way up a usual gap from 15 to 30 of 90, so that logit and straight lines mean the same by one pace.
_LOGIT_REFERENCE = 22.5 * (1.0 - 22.5 / REFERENCE_UNTRANSFUSED_PCT)
_LEAST_DONOR_PCT = 1.0
_LEAST_HBS_PCT = 0.5


OWN_SHARE_REFERENCE = REFERENCE_AFTER_PCT / REFERENCE_UNTRANSFUSED_PCT


class Rise(NamedTuple):
    """Rise in a gap (points), its slope by HbS after (points a point) and by climb (points a point)."""

    points: Floats
    by_after: Floats
    by_climb: Floats


def rise(form: str, *, after_pct: Any, climb: Any, untransfused_pct: Any, turnover: Any = 0.0) -> Rise:
    """Rise of HbS from `after_pct` for one of FORMS; everything broadcasts.

    Args: after_pct: HbS at the start, points. climb: rise of a reference person, points. untransfused_pct: HbS
        without donor cells, points. turnover: of `graded`, over the whole time.
    Returns: the rise and its slopes. Raises: ValueError for an unknown form.
    """
    if form == "linear":
        return Rise(np.asarray(climb + 0.0 * after_pct), np.zeros(np.shape(after_pct)), np.ones(np.shape(after_pct)))
    if form == "two_pool":
        return _two_pool(after_pct, climb, untransfused_pct)
    if form == "graded":
        return _graded(after_pct, climb, untransfused_pct, turnover)
    if form == "logit":
        return _logit(after_pct, climb, untransfused_pct)
    raise ValueError(f"No drift form is called {form!r}; allowed are {', '.join(FORMS)}.")


def _two_pool(after_pct: Any, climb: Any, untransfused_pct: Any) -> Rise:
    donor = np.maximum(untransfused_pct - after_pct, _LEAST_DONOR_PCT)
    by_climb = donor / DONOR_REFERENCE_PCT
    return Rise(climb * by_climb, -climb / DONOR_REFERENCE_PCT + 0.0 * by_climb, by_climb)


def _graded(after_pct: Any, climb: Any, untransfused_pct: Any, turnover: Any) -> Rise:
    """u' = −u(a + turnover·u) in one unit of time: u₁ = u₀e^−a/(1 + turnover·u₀·(1 − e^−a)/a)."""
    top = np.maximum(untransfused_pct, 2.0 * _LEAST_HBS_PCT)
    donor = np.clip(1.0 - after_pct / top, _LEAST_DONOR_PCT / 100.0, 1.0)
    a = np.clip(climb / DONOR_REFERENCE_PCT - turnover * (1.0 - OWN_SHARE_REFERENCE), -20.0, 20.0)
    near = np.abs(a) < 1e-3
    safe = np.where(near, 1.0, a)
    kept = np.exp(-a)
    span = np.where(near, 1.0 - a / 2.0 + a * a / 6.0, (1.0 - kept) / safe)
    span_slope = np.where(near, a / 3.0 - 0.5, (kept - span) / safe)
    below = 1.0 + turnover * donor * span
    end = donor * kept / below
    by_a = end * (1.0 + turnover * donor * span_slope / below)
    return Rise(top * (donor - end), kept / below**2 - 1.0, top * by_a / DONOR_REFERENCE_PCT)


def _logit(after_pct: Any, climb: Any, untransfused_pct: Any) -> Rise:
    top = np.maximum(untransfused_pct, 2.0 * _LEAST_HBS_PCT)
    share = np.clip(after_pct, _LEAST_HBS_PCT, top - _LEAST_HBS_PCT) / top
    growth = np.exp(np.clip(climb / _LOGIT_REFERENCE, -20.0, 20.0))
    end = share * growth / (1.0 - share + share * growth)
    # Beyond half-way the slopes are held at their largest: nearing the top is not taken as knowing better.
    steepest = np.where(end > 0.5, np.maximum(share, 0.5), end)
    slope = steepest * (1.0 - steepest)
    return Rise(top * (end - share), slope / (share * (1.0 - share)) - 1.0, top * slope / _LOGIT_REFERENCE)
