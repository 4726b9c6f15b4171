"""What a forecast says: the spread of the value the laboratory will report on a day to come."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

Floats = NDArray[np.float64]

REPORTED_STEP_PCT = 0.1  # HbS is reported to one decimal; common practice


@dataclass(frozen=True, slots=True)
class Predictive:
    """Spread of the *measured* HbS before a session: loc + scale·Z, Z standard Student t of `tail_df`.

    loc, scale: points of %, any shapes that broadcast; nan where nothing can be said.
    Every method broadcasts its argument against loc and scale, so for a curve of p over people give
    p the shape [..., 1] or index a trailing axis into the forecast with `expanded`.
    """

    loc: Floats
    scale: Floats
    tail_df: float = 8.0

    def median(self) -> Floats:
        """The middle of the spread, points of %."""
        return self.quantile(0.5)

    def quantile(self, p: Any) -> Floats:
        """The value that lies over a share `p` (0 to 1, broadcast) of what may be measured, points of %."""
        return np.asarray(self.loc + self.scale * stdtrit(self.tail_df, p))

    def chance_up_to(self, value_pct: Any) -> Floats:
        """Chance that the value is at or under `value_pct` (points, broadcast), before rounding."""
        return np.asarray(stdtr(self.tail_df, (value_pct - self.loc) / self.scale))

    def chance_over(self, ceiling_pct: Any) -> Floats:
        """Chance that the *reported* value, rounded to 0.1 point, is over the ceiling (points, broadcast).

        A ceiling of 30.0 is crossed by a report of 30.1, so by anything from 30.05 up.
        """
        steps = np.floor(np.asarray(ceiling_pct, dtype=float) / REPORTED_STEP_PCT + 1e-9)
        return 1.0 - self.chance_up_to((steps + 0.5) * REPORTED_STEP_PCT)

    def expanded(self, n_trailing_axes: int) -> "Predictive":
        """The same forecasts with this many axes of length one added at the end."""
        shape = (...,) + (None,) * n_trailing_axes
        return Predictive(np.asarray(self.loc)[shape], np.asarray(self.scale)[shape], self.tail_df)
