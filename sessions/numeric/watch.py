"""Whether the forecasts that were in force have held of late, and how much less chance to accept while they do not.

A forecast says that 80 in 100 measured values lie between its p10 and p90, and 10 in 100 above. Where more lie above,
people cross their ceiling more often than they accepted, and nobody sees it in any one of them.
"""

import math
from dataclasses import dataclass

import numpy as np

from programme.core.numeric.intervals import Interval, persons_resampled

from .columns import Floats, Ints

INSIDE, ABOVE = 0.80, 0.10
INSIDE_LEAST, ABOVE_MOST = 0.77, 0.12
"""What a forecast that holds keeps to: the bounds that the model forms are held to before release. Chosen here."""
FEWEST_FORECASTS, FEWEST_PEOPLE = 30, 10
"""Under this nothing is said: one family's bad month would speak for everybody. Chosen here."""
STEPS = (0.25, 0.5, 0.75)
"""Shares of the accepted chance: in quarters, so that a night's one value more does not move every suggestion."""


@dataclass(frozen=True, slots=True)
class Watched:
    """How forecasts held: shares [0 to 1] inside and above the middle 80, each with its 95 % interval.

    enough: whether there were forecasts enough to judge by. holds: False where the whole of an interval lies outside
    what is allowed. caution: the share of each accepted chance to plan with, 1 where nothing speaks against all of it.
    """

    n: int
    n_people: int
    inside: float
    inside_range: Interval
    above: float
    above_range: Interval
    enough: bool
    holds: bool
    caution: float


def watch(*, observed: Floats, p10: Floats, p90: Floats, person: Ints, caution_before: float = 1.0) -> Watched:
    """Return how forecasts held against what was measured. Arrays [n] in %; person: any integers, one per forecast.

    caution_before: the caution until now. It goes back only once there are forecasts enough of which no more than
    allowed were passed, by the share itself and not merely its interval, so that it does not come and go by the night.
    Intervals: whole persons drawn again (`persons_resampled`), for forecasts of one person hang together.
    """
    n, n_people = len(observed), len(np.unique(person))
    if n == 0:
        none = Interval(math.nan, math.nan, "nothing counted")
        return Watched(0, 0, math.nan, none, math.nan, none, enough=False, holds=True, caution=caution_before)
    on_edge = (observed == p10) | (observed == p90)
    inside = ((observed > p10) & (observed < p90)) + 0.5 * on_edge
    above = (observed > p90) + 0.5 * (observed == p90)
    inside_range, above_range = _by_person(inside, person), _by_person(above, person)
    enough = n >= FEWEST_FORECASTS and n_people >= FEWEST_PEOPLE
    too_few_inside = enough and inside_range.is_known and inside_range.high < INSIDE_LEAST
    too_many_above = enough and above_range.is_known and above_range.low > ABOVE_MOST
    share, caution = float(above.mean()), caution_before
    if too_many_above or (enough and caution_before < 1.0):
        caution = _caution(share) if share > ABOVE_MOST else 1.0
    return Watched(
        n=n,
        n_people=n_people,
        inside=float(inside.mean()),
        inside_range=inside_range,
        above=share,
        above_range=above_range,
        enough=enough,
        holds=not (too_few_inside or too_many_above),
        caution=caution,
    )


def _caution(above: float) -> float:
    """The nearest step to 0.10/above: if twice as many lie above as should, half the accepted chance is planned with.

    Near the upper tenth the chance of being over grows about as the share of values above does. Chosen here.
    """
    return min(STEPS, key=lambda step: abs(step - ABOVE / above))


def _by_person(came_true: Floats, person: Ints) -> Interval:
    _, cluster = np.unique(person, return_inverse=True)
    return persons_resampled(
        np.bincount(cluster, weights=came_true).astype(np.float64), np.bincount(cluster).astype(np.float64)
    )
