"""What a forecast says: the spread of the value the laboratory will report on a day to come."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtrit

Floats = NDArray[np.float64]

REPORTED_STEP_PCT = 0.1  # HbS is reported to one decimal; common practice

# Normal scores at which a shape is held; at the outer two the chance beyond is nil.
_UPPER_SCORES = (0.2533, 0.5244, 0.8416, 1.2816, 1.645, 2.05, 2.5, 3.0, 12.0)
SCORES = (*(-score for score in reversed(_UPPER_SCORES)), 0.0, *_UPPER_SCORES)


@dataclass(frozen=True, slots=True)
class Shape:
    """A standard spread: where each normal score of SCORES lies. Straight lines between; `at` rises strictly.

    So a quantile is one look-up of the normal score and a chance is one look-up the other way round.
    """

    at: tuple[float, ...]

    @classmethod
    def student(cls, df: float) -> "Shape":
        """Student's t with `df` degrees of freedom, laid through SCORES."""
        inner = np.clip(SCORES, -5.0, 5.0)
        at = np.array(stdtrit(df, ndtr(inner)))
        at[[0, -1]] *= 12.0 / 5.0
        return cls(tuple(float(x) for x in at))


SHAPE_BEFORE_DATA = Shape.student(8.0)


@dataclass(frozen=True, slots=True)
class Predictive:
    """Spread of the *measured* HbS before a session: loc + scale·Z, Z standard with the shape's table.

    loc, scale: points of %, any shapes that broadcast; nan where nothing can be said.
    Every method broadcasts its argument against loc and scale, so for a curve over people give the forecast
    trailing axes with `expanded`.
    """

    loc: Floats
    scale: Floats
    shape: Shape = SHAPE_BEFORE_DATA

    def median(self) -> Floats:
        """The middle of the spread, points of %."""
        return self.quantile(0.5)

    def quantile(self, p: Any) -> Floats:
        """The value that lies over a share `p` (0 to 1, broadcast) of what may be measured, points of %."""
        z = np.interp(ndtri(np.asarray(p, dtype=float)), SCORES, self.shape.at)
        return np.asarray(self.loc + self.scale * z)

    def chance_up_to(self, value_pct: Any) -> Floats:
        """Chance that the value is at or under `value_pct` (points, broadcast), before rounding."""
        return np.asarray(ndtr(np.interp((value_pct - self.loc) / self.scale, self.shape.at, SCORES)))

    def chance_over(self, ceiling_pct: Any) -> Floats:
        """Chance that the *reported* value, rounded to 0.1 point, is over the ceiling (points, broadcast).

        A ceiling of 30.0 is crossed by a report of 30.1, so by anything from 30.05 up.
        """
        steps = np.floor(np.asarray(ceiling_pct, dtype=float) / REPORTED_STEP_PCT + 1e-9)
        return 1.0 - self.chance_up_to((steps + 0.5) * REPORTED_STEP_PCT)

    def expanded(self, n_trailing_axes: int) -> "Predictive":
        """The same forecasts with this many axes of length one added at the end."""
        shape = (...,) + (None,) * n_trailing_axes
        return Predictive(np.asarray(self.loc)[shape], np.asarray(self.scale)[shape], self.shape)
