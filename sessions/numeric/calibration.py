"""Whether forecasts kept what they promised: chances of being over the ceiling, and how often the ranges held.

A forecast that said 15 in 100 is right if about 15 in 100 such forecasts were followed by a value over the ceiling.
Several forecasts of one person hang together, so intervals come from drawing whole persons again.
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from programme.core.numeric.intervals import persons_resampled

from .columns import Bools, Floats, Ints
from .scoring import LEVELS, QUANTILES, Scored

TENTHS = 10


@dataclass(frozen=True, slots=True)
class Kept:
    """Forecasts that promised about the same, and how often it came true; shares 0 to 1, None where there is none.

    from_, to: the promises that are put together. said: the mean of what was promised.
    low, high: 95 % interval of `seen`; why_not: why there is none.
    """

    from_: float
    to: float
    n: int
    n_people: int
    said: float
    count: float
    seen: float
    low: float | None
    high: float | None
    why_not: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """Chances over the ceiling by tenths, and ranges that should hold 50, 80 and 90 in 100."""

    over: tuple[Kept, ...]
    ranges: tuple[Kept, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain figures for storage."""
        return asdict(self)


def calibrate(scored: Scored, person: Ints) -> Calibration:
    """Return how forecasts kept their promises. person: [n], any integers; `scored` may lack chances (nan)."""
    known = np.isfinite(scored.chance_over)
    is_over = (scored.observed > scored.ceiling_pct).astype(float)
    return Calibration(
        over=by_tenths(scored.chance_over[known], is_over[known], person[known]),
        ranges=tuple(
            _kept((level, level), np.full(len(person), level), _inside(scored, level), person)
            for level in LEVELS
            if len(person)
        ),
    )


def by_tenths(said: Floats, came_true: Floats, person: Ints) -> tuple[Kept, ...]:
    """Put forecasts together by tenths of the chance they gave, 0 to 0.1, 0.1 to 0.2, …; empty tenths are left out.

    Args: said: chances [n]. came_true: 1 or 0 [n]. person: [n].
    Reliability of probability forecasts by bins: Murphy AH, Winkler RL, Appl Stat 1977;26:41-7
    (from memory).
    """
    tenth = np.minimum((said * TENTHS + 1e-9).astype(int), TENTHS - 1)
    return tuple(
        _kept((k / TENTHS, (k + 1) / TENTHS), said[tenth == k], came_true[tenth == k], person[tenth == k])
        for k in np.unique(tenth)
    )


def _kept(edges: tuple[float, float], said: Floats, came_true: Floats, person: Ints) -> Kept:
    people, cluster = np.unique(person, return_inverse=True)
    kept, asked = (np.bincount(cluster, weights=one).astype(np.float64) for one in (came_true, np.ones(len(said))))
    limits = persons_resampled(kept, asked)
    return Kept(
        from_=float(edges[0]),
        to=float(edges[1]),
        n=len(said),
        n_people=len(people),
        said=float(said.mean()),
        count=float(came_true.sum()),
        seen=float(came_true.mean()),
        low=limits.low if limits.is_known else None,
        high=limits.high if limits.is_known else None,
        why_not=limits.why_not,
    )


def _inside(scored: Scored, level: float) -> Floats:
    """1 where the measured value lies inside the middle `level` of the forecast, a half on its edge, else 0, [n]."""
    at = QUANTILES.index(round((1 - level) / 2, 4))
    low, high = scored.quantiles[:, at], scored.quantiles[:, -1 - at]
    edge: Bools = (scored.observed == low) | (scored.observed == high)
    return np.asarray(((scored.observed > low) & (scored.observed < high)) + 0.5 * edge)
