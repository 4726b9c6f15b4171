"""Whether a figure differs between two spans of time by more than chance, for the same programme of people.

Most people are in both spans, and each has many sessions in either. So shares, rates and means are compared by drawing
whole persons again, with all their sessions of both spans together; rare counts by the exact test that goes with them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv

from programme.core.numeric.intervals import (
    FEWEST_PEOPLE,
    Floats,
    Interval,
    drawn_times,
    persons_resampled,
    tail_of,
)


@dataclass(frozen=True, slots=True)
class Difference:
    """The later figure less the earlier (or over it, `is_ratio`) and its 95 % interval; value nan where there is none.

    beyond_chance: the interval leaves out no difference at all.
    """

    value: float
    interval: Interval
    is_ratio: bool = False

    @property
    def beyond_chance(self) -> bool:
        same = 1.0 if self.is_ratio else 0.0
        return self.interval.is_known and (self.interval.low > same or self.interval.high < same)


def persons_compared(
    later: tuple[Floats, Floats], earlier: tuple[Floats, Floats], *, draws: int = 2000, seed: int = 5
) -> Difference:
    """Return Σ numerator / Σ denominator of the later span less that of the earlier, with its interval.

    later, earlier: (numerator, denominator), arrays [persons], the same persons in both. Formula: percentiles of the
    difference over `draws` samples of persons with replacement, each person with both spans (Field and Welsh, J R Stat
    Soc B 2007;69:369-90), at levels widened for few persons (Hesterberg, Am Stat 2015;69:371-86). A draw with nobody
    counted in one span is left out (chosen here). Fewer than five people in either span: no interval. Where nobody
    differs from anybody within a span, resampling would call the figure certain: then the two intervals are joined by
    squares as if of different people, which is wider (Zou and Donner, Stat Med 2008;27:1693-702).
    """
    (top, bottom), (old_top, old_bottom) = later, earlier
    now, before = bottom > 0, old_bottom > 0
    if not now.any() or not before.any():
        return Difference(math.nan, Interval(math.nan, math.nan, "nothing counted"))
    figures = top[now].sum() / bottom[now].sum(), old_top[before].sum() / old_bottom[before].sum()
    value = float(figures[0] - figures[1])
    if min(now.sum(), before.sum()) < FEWEST_PEOPLE:
        return Difference(value, Interval(math.nan, math.nan, f"fewer than {FEWEST_PEOPLE} people"))
    if _all_alike(top[now] / bottom[now]) or _all_alike(old_top[before] / old_bottom[before]):
        return Difference(value, _joined(figures, persons_resampled(*later), persons_resampled(*earlier)))
    either = now | before
    sums = np.stack([np.where(now, top, 0), np.where(now, bottom, 0),
                     np.where(before, old_top, 0), np.where(before, old_bottom, 0)], axis=-1)[either]  # fmt: skip
    drawn = drawn_times(len(sums), draws, seed) @ sums
    drawn = drawn[(drawn[:, 1] > 0) & (drawn[:, 3] > 0)]
    tail = tail_of(int(min(now.sum(), before.sum())))
    low, high = np.quantile(drawn[:, 0] / drawn[:, 1] - drawn[:, 2] / drawn[:, 3], [tail, 1 - tail])
    return Difference(value, Interval(float(low), float(high)))


def _all_alike(ratio: Floats) -> bool:
    return float(np.ptp(ratio)) < 1e-12


def _joined(figures: tuple[float, float], later: Interval, earlier: Interval) -> Interval:
    if not (later.is_known and earlier.is_known):
        return Interval(math.nan, math.nan, later.why_not or earlier.why_not)
    change = figures[0] - figures[1]
    low = change - math.hypot(figures[0] - later.low, earlier.high - figures[1])
    return Interval(low, change + math.hypot(later.high - figures[0], figures[1] - earlier.low))


def rates_compared(later: tuple[int, float], earlier: tuple[int, float]) -> Difference:
    """Return the ratio of two rates of rare events, later over earlier, with its exact 95 % interval.

    later, earlier: (events, exposure). Formula: of all n events k belong to the later span, k ~ Binomial(n, p), p/(1−p)
    = ratio · exposure / earlier exposure; the exact limits of p (Clopper and Pearson, Biometrika 1934;26:404-13)
    give those of the ratio. Source: Przyborowski and Wilenski, Biometrika 1940;31:313-23. Events are taken as apart
    from each other. Raises ValueError for a negative count.
    """
    (count, exposure), (old_count, old_exposure) = later, earlier
    if min(count, old_count) < 0:
        raise ValueError(f"counts: {count} and {old_count}; allowed is 0 or more")
    if min(exposure, old_exposure) <= 0:
        return Difference(math.nan, Interval(math.nan, math.nan, "nothing counted"), is_ratio=True)
    if count + old_count == 0:
        return Difference(math.nan, Interval(math.nan, math.nan, "none in either"), is_ratio=True)
    scale = old_exposure / exposure
    low = 0.0 if count == 0 else float(betaincinv(count, old_count + 1, 0.025))
    high = 1.0 if old_count == 0 else float(betaincinv(count + 1, old_count, 0.975))
    value = math.inf if old_count == 0 else scale * count / old_count
    top = math.inf if old_count == 0 else scale * high / (1 - high)
    return Difference(value, Interval(scale * low / (1 - low), top), is_ratio=True)
