"""Haemoglobin between sessions, for what it does to the climb: where it starts, and where it comes to rest.

The marrow makes less while haemoglobin is high, so the climb depends on the mean Hb of a gap. Hb after a session is
measured with error or not at all; reckoned from the volumes, with an error that is partly the person's own (blood
volume); and it is somewhere near where this person usually ends. All three are joined by their precision. From there Hb
falls towards a level of the person's own, Hb(t) = rest + (after − rest)·e^(−t/HB_DAYS), read off their Hb before.
Everything here rests on what was known at each session. Chosen here; not from a source.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ..columns import SessionColumns

Floats = NDArray[np.float64]

HB_DAYS = 25.0
MEASURED_SD_G_L = 2.5  # the analyser's 1.5 with posture and filling: from memory
_FIRST_GAP_DAYS = 28.0  # what lay before the first session on record
_REST_WEIGHT = 0.15  # of the programme's level, in gaps long enough for Hb to come to rest
_FEWEST = 20
# Before data, g/L: usual Hb after, its spread between and within people; reckoned Hb off by a person's own bias, and
# by how many of its stated errors; rest. Chosen here, about common practice.
_BEFORE_DATA = {
    "hb_mean": 105.0, "hb_mean_sd": 5.0, "hb_sd": 6.0,
    "hb_bias": 0.0, "hb_bias_sd": 4.0, "hb_reckoning": 1.0, "hb_rest": 85.0,
}  # fmt: skip
_WEIGHT = 20.0  # sessions by which a spread before data is held


def usual_haemoglobin(columns: SessionColumns) -> dict[str, float]:
    """The programme's figures, by the names of _BEFORE_DATA; these where too little was recorded."""
    found = dict(_BEFORE_DATA)
    measured, reckoned = columns.hb_after_g_l, columns.hb_reckoned_g_l
    if np.isfinite(measured).sum() >= _FEWEST:
        found["hb_mean"], between, within = _spreads(columns, measured, found["hb_mean_sd"], found["hb_sd"])
        found["hb_mean_sd"], found["hb_sd"] = between, float(np.sqrt(max(within**2 - MEASURED_SD_G_L**2, 4.0)))
    both = np.isfinite(measured - reckoned)
    if both.sum() >= _FEWEST:
        usual = float(np.sqrt(np.mean(columns.hb_reckoned_sd[both] ** 2)))
        off = measured - reckoned
        found["hb_bias"], found["hb_bias_sd"], within = _spreads(columns, off, found["hb_bias_sd"], usual)
        found["hb_reckoning"] = float(np.sqrt(max(within**2 - MEASURED_SD_G_L**2, 1.0))) / usual
    weight, weighted = _rest_terms(columns, haemoglobin_after(columns, found)[0], found["hb_mean"])
    if np.count_nonzero(weight) >= _FEWEST:
        found["hb_rest"] = float(weighted.sum() / (weight**2).sum())
    return found


def haemoglobin_after(columns: SessionColumns, values: Mapping[str, float]) -> tuple[Floats, Floats]:
    """Hb after each session as it is best known with that session's results, and its SD, [n], g/L."""
    measured, reckoned = columns.hb_after_g_l, columns.hb_reckoned_g_l
    seen, told = np.isfinite(measured), np.isfinite(reckoned)
    error = (values["hb_reckoning"] * np.nan_to_num(columns.hb_reckoned_sd, nan=1.0)) ** 2
    between = values["hb_bias_sd"] ** 2
    one_off = MEASURED_SD_G_L**2 + error
    total, weight = _before(columns, (measured - reckoned - values["hb_bias"]) / one_off, 1.0 / one_off, seen & told)
    bias_var = 1.0 / (1.0 / between + weight)
    put_right = reckoned + values["hb_bias"] + bias_var * total
    error = error + bias_var

    best = np.where(seen, measured, put_right)
    known = np.isfinite(best)
    total, count = _before(columns, best - values["hb_mean"], np.ones(len(columns)), known)
    held = (values["hb_sd"] / values["hb_mean_sd"]) ** 2
    usual, usual_var = values["hb_mean"] + total / (count + held), values["hb_sd"] ** 2 * (1.0 + 1.0 / (count + held))

    precision = 1.0 / usual_var + seen / MEASURED_SD_G_L**2 + told / error
    joined = usual / usual_var + np.where(seen, measured, 0.0) / MEASURED_SD_G_L**2
    joined += np.where(told, put_right, 0.0) / error
    return joined / precision, 1.0 / np.sqrt(precision)


def haemoglobin_at_rest(columns: SessionColumns, after_g_l: Floats, values: Mapping[str, float]) -> Floats:
    """Level towards which each person's Hb falls, as known with each session's results, [n], g/L.

    Least squares of Hb before on rest·(1 − w) + after·w over the person's gaps so far, w = e^(−days/HB_DAYS).
    """
    weight, weighted = _rest_terms(columns, after_g_l, values["hb_mean"])
    total, squares = columns.so_far(weighted), columns.so_far(weight**2)
    return (total + _REST_WEIGHT * values["hb_rest"]) / (squares + _REST_WEIGHT)


def _rest_terms(columns: SessionColumns, after_g_l: Floats, first_after: float) -> tuple[Floats, Floats]:
    """Weights 1 − w of each row's gap and what it adds to the sum, nought where it tells nothing, [n]."""
    first = columns.sequence() == 0
    start = np.where(first, first_after, np.roll(after_g_l, 1))
    days = np.where(first, _FIRST_GAP_DAYS, columns.day - np.roll(columns.day, 1))
    left = np.exp(-days / HB_DAYS)
    tells = np.isfinite(columns.hb_before_g_l) & columns.gap_known & ~(columns.topup_hb_g > 0.0)
    weight = np.where(tells, 1.0 - left, 0.0)
    return weight, weight * np.where(tells, columns.hb_before_g_l - left * start, 0.0)


def _spreads(columns: SessionColumns, values: Floats, between: float, within: float) -> tuple[float, float, float]:
    """Middle of all values, and SD between and within people, held towards those given."""
    known = np.isfinite(values)
    person, found = columns.person[known], values[known]
    people, place, counts = np.unique(person, return_inverse=True, return_counts=True)
    means = np.bincount(place, found) / counts
    apart = found - means[place]
    freedom = len(found) - len(people)
    within_var = (apart @ apart + _WEIGHT * within**2) / (freedom + _WEIGHT)
    middle = float(np.median(found))
    excess = np.maximum((means - middle) ** 2 - within_var / counts, -(between**2))
    between_var = (excess.sum() + _WEIGHT * between**2) / (len(people) + _WEIGHT)
    return middle, float(np.sqrt(max(between_var, 1.0))), float(np.sqrt(within_var))


def _before(
    columns: SessionColumns, values: Floats, weights: Floats, known: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Sums of values and of weights over the same person's earlier rows where known, [n]."""
    values, weights = np.where(known, values, 0.0), np.where(known, weights, 0.0)
    return columns.so_far(values) - values, columns.so_far(weights) - weights
