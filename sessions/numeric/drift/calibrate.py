"""Making the stated spread true to what was met: the programme's own one-step errors set scale and shape.

The filter states a spread for every result before it sees it. Errors over stated spreads, pooled over the programme,
say how far the stated one is out, by how many gaps were known, and what shape the errors have. Both are
held towards what would be said without data, so a small programme is not led by a few odd gaps.
"""

from dataclasses import dataclass
from typing import Any

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
_STRETCH_RANGE = (0.4, 2.5)
_FINE = np.linspace(-14.0, 14.0, 5601)


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a stated variance is made true: scale(gaps)²·(stretch·variance + floor), and the shape of errors over it.

    stretch: factor. floor: points². scale: factors at GAPS_KNOWN. As floor and stretch are not negative, a forecast
    that states more spread keeps more.
    """

    stretch: float
    floor: float
    scale: tuple[float, ...]
    shape: Shape

    def spread(self, variance: Any, n_gaps: Any) -> Floats:
        """True scale (points) of forecasts with a stated variance (points²), for people with so many gaps known."""
        factor = np.interp(n_gaps, GAPS_KNOWN, self.scale)
        return np.asarray(factor * np.sqrt(self.stretch * variance + self.floor))


UNCALIBRATED = Calibration(1.0, 0.0, tuple(1.0 for _ in GAPS_KNOWN), SHAPE_BEFORE_DATA)


def calibrate(met: Innovations, measured: Floats) -> Calibration:
    """Calibration from one-step errors. measured: the result that each innovation was of, points, [M]."""
    if not len(met.row):
        return UNCALIBRATED
    error, variance = measured - met.loc, met.scale**2
    stretch, floor = _stretch_and_floor(error**2, variance)
    z = error / np.sqrt(stretch * variance + floor)
    scale = _scale_by_gaps(z, met.n_gaps)
    return Calibration(
        stretch=stretch,
        floor=floor,
        scale=tuple(float(s) for s in scale),
        shape=_shape(z / np.interp(met.n_gaps, GAPS_KNOWN, scale)),
    )


def _stretch_and_floor(square: Floats, variance: Floats) -> tuple[float, float]:
    """Least squares of squared errors over their stated variance on 1 and 1/variance, held towards (1, 0)."""
    ratio = np.minimum(square / variance, _FAR**2) / _EXPECTED_SQUARE
    usual = float(np.median(variance))
    terms = np.column_stack([np.ones(len(ratio)), usual / variance])
    held = terms.T @ terms + _SCALE_WEIGHT * np.eye(2)
    stretch, floor = np.linalg.solve(held, terms.T @ ratio + _SCALE_WEIGHT * np.array([1.0, 0.0]))
    if floor < 0.0:
        stretch, floor = (ratio.sum() + _SCALE_WEIGHT) / (len(ratio) + _SCALE_WEIGHT), 0.0
    return float(np.clip(stretch, *_STRETCH_RANGE)), float(floor * usual)


def _scale_by_gaps(z: Floats, n_gaps: Floats) -> Floats:
    """Root mean square error near each knot, held towards 1."""
    square = np.minimum(np.abs(z), _FAR) ** 2 / _EXPECTED_SQUARE
    tents = np.array([np.interp(n_gaps, GAPS_KNOWN, knot) for knot in np.eye(len(GAPS_KNOWN))])
    return np.asarray(np.sqrt((tents @ square + _SCALE_WEIGHT) / (tents.sum(axis=1) + _SCALE_WEIGHT)))


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
