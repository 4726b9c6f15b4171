"""Making the stated spread true to what was met: the programme's own one-step errors set scale and shape.

The filter states a spread for every result before it sees it. Errors over stated spreads, pooled over the programme,
say how far the stated one is out, by how many gaps were known, and what shape the errors have. Both are
held towards what would be said without data, so a small programme is not led by a few odd gaps.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ..predictive import SCORES, SHAPE_BEFORE_DATA, Shape
from .filter import Innovations

Floats = NDArray[np.float64]

GAPS_KNOWN = (0.0, 2.0, 6.0, 15.0)  # knots at which the scale is held; straight lines between
_SCALE_WEIGHT = 60.0  # errors by which the stated scale is held
_SHAPE_WEIGHT = 80.0  # errors by which the shape before data is held
_FAR = 3.0  # errors further out count as this far when the scale is judged
_EXPECTED_SQUARE = 0.9973  # mean of min(Z², _FAR²) for a normal Z
_FINE = np.linspace(-14.0, 14.0, 5601)


@dataclass(frozen=True, slots=True)
class Calibration:
    """scale: factors on the stated spread at GAPS_KNOWN. shape: of errors over the scaled spread."""

    scale: tuple[float, ...]
    shape: Shape


UNCALIBRATED = Calibration(tuple(1.0 for _ in GAPS_KNOWN), SHAPE_BEFORE_DATA)


def calibrate(met: Innovations, measured: Floats) -> Calibration:
    """Factors and shape from one-step errors. measured: the result that each innovation was of, points, [M]."""
    if not len(met.row):
        return UNCALIBRATED
    z = (measured - met.loc) / met.scale
    scale = _scale_by_gaps(z, met.n_gaps)
    return Calibration(tuple(float(s) for s in scale), _shape(z / np.interp(met.n_gaps, GAPS_KNOWN, scale)))


def _scale_by_gaps(z: Floats, n_gaps: Floats) -> Floats:
    """Root mean square error near each knot, held towards the one over all, and that towards 1."""
    square = np.minimum(np.abs(z), _FAR) ** 2 / _EXPECTED_SQUARE
    overall = (square.sum() + _SCALE_WEIGHT) / (len(z) + _SCALE_WEIGHT)
    tents = np.array([np.interp(n_gaps, GAPS_KNOWN, knot) for knot in np.eye(len(GAPS_KNOWN))])
    near = (tents @ square + _SCALE_WEIGHT * overall) / (tents.sum(axis=1) + _SCALE_WEIGHT)
    return np.asarray(np.sqrt(near))


def _shape(z: Floats) -> Shape:
    """Quantiles of the errors mixed with the shape before data, at the normal scores of SCORES."""
    prior = ndtr(np.interp(_FINE, SHAPE_BEFORE_DATA.at, SCORES))
    seen = np.searchsorted(np.sort(z), _FINE, side="right")
    mixed = (seen + _SHAPE_WEIGHT * prior) / (len(z) + _SHAPE_WEIGHT)
    at = np.interp(ndtr(np.array(SCORES[1:-1])), mixed, _FINE)
    at = np.maximum.accumulate(at + 1e-6 * np.arange(len(at)))
    ends = at[[0, -1]] + np.array([-1.0, 1.0]) * (SCORES[-1] - SCORES[-2]) * _tail_slope(at)
    return Shape(tuple(float(x) for x in (ends[0], *at, ends[1])))


def _tail_slope(at: Floats) -> Floats:
    """How fast each tail goes on beyond the last score: as fast as over its last two steps, at least as a normal."""
    low = (at[2] - at[0]) / (SCORES[3] - SCORES[1])
    high = (at[-1] - at[-3]) / (SCORES[-2] - SCORES[-4])
    return np.array([max(low, 1.0), max(high, 1.0)])
