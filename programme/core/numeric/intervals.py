"""Intervals of shares, rates and means over a programme, and verdicts that respect them.

Sessions of one person resemble each other, so shares and rates over sessions are resampled by person. Only measures
with one answer a person use the score interval, and rare counts the exact Poisson one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, ndtr, ndtri, stdtrit

Floats = npt.NDArray[np.float64]
Verdict = Literal["above", "below", "cannot tell"]
FEWEST_PEOPLE = 5
_Z = float(ndtri(0.975))


@dataclass(frozen=True, slots=True)
class Interval:
    """A 95 % interval, or why there is none (low and high are nan then)."""

    low: float
    high: float
    why_not: str = ""

    @property
    def is_known(self) -> bool:
        return not self.why_not


def wilson(count: int, of: int) -> Interval:
    """Return the 95 % score interval of a share 0 to 1, one answer a person.

    Formula: (p + z²/2n ± z √(p(1−p)/n + z²/4n²)) / (1 + z²/n). Source: Wilson EB, J Am Stat Assoc 1927;22:209-12.
    Raises ValueError where count is not within 0 to of.
    """
    if not 0 <= count <= of:
        raise ValueError(f"count: {count} is not allowed; allowed is 0 to {of}")
    if of == 0:
        return Interval(math.nan, math.nan, "nobody counted")
    share, z2 = count / of, _Z * _Z
    half = _Z * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of))
    low, high = ((share + z2 / (2 * of) + sign * half) / (1 + z2 / of) for sign in (-1, 1))
    return Interval(0.0 if count == 0 else low, 1.0 if count == of else high)


def poisson_exact(count: int, exposure: float) -> Interval:
    """Return the exact 95 % interval of a rate, events per unit of exposure.

    Formula: χ²(0.025; 2k)/2 and χ²(0.975; 2k + 2)/2, over the exposure; the lower is 0 for k = 0. Source: Garwood F,
    Biometrika 1936;28:437-42. Raises ValueError where count is negative.
    """
    if count < 0:
        raise ValueError(f"count: {count} is not allowed; allowed is 0 or more")
    if exposure <= 0:
        return Interval(math.nan, math.nan, "nothing counted")
    low = 0.0 if count == 0 else float(chdtri(2 * count, 0.975)) / 2
    return Interval(low / exposure, float(chdtri(2 * count + 2, 0.025)) / 2 / exposure)


@lru_cache(maxsize=4)
def drawn_times(n: int, draws: int, seed: int) -> Floats:
    """Return how often each of n persons is drawn in each sample [draws, n]; kept, for measures share their people."""
    times = np.random.default_rng(seed).multinomial(n, np.full(n, 1 / n), size=draws).astype(np.float64)
    times.flags.writeable = False
    return times


def persons_resampled(numerator: Floats, denominator: Floats, *, draws: int = 2000, seed: int = 5) -> Interval:
    """Return the 95 % interval of Σ numerator / Σ denominator when whole persons are drawn again.

    numerator, denominator: arrays [persons]; people without a denominator are left out. Formula: percentiles of the
    ratio over `draws` samples of persons with replacement (Field and Welsh, J R Stat Soc B 2007;69:369-90), at levels
    widened for few persons: Φ(−√(n/(n−1)) t(0.975; n−1)) (Hesterberg, Am Stat 2015;69:371-86). Fewer than five people:
    no interval. No difference between people: the score interval of so many single answers for a share that is 0 or 1,
    else none. Both chosen here.
    """
    counted = denominator > 0
    top, bottom = numerator[counted], denominator[counted]
    n = len(bottom)
    if n == 0:
        return Interval(math.nan, math.nan, "nothing counted")
    if n < FEWEST_PEOPLE:
        return Interval(math.nan, math.nan, f"fewer than {FEWEST_PEOPLE} people")
    ratio = top / bottom
    if np.ptp(ratio) < 1e-12:
        if ratio[0] in (0.0, 1.0):
            return wilson(n if ratio[0] else 0, n)
        return Interval(math.nan, math.nan, "everybody has the same figure")
    drawn = drawn_times(n, draws, seed) @ np.stack([top, bottom], axis=-1)
    found = drawn[:, 0] / drawn[:, 1]
    tail = tail_of(n)
    low, high = np.quantile(found, [tail, 1 - tail])
    return Interval(float(low), float(high))


def tail_of(n: int) -> float:
    """Return the share left out on either side with n persons: Φ(−√(n/(n−1)) t(0.975; n−1)), Hesterberg as above."""
    return float(ndtr(-math.sqrt(n / (n - 1)) * stdtrit(n - 1, 0.975)))


def verdict(interval: Interval, aim: float) -> Verdict:
    """Return where the figure lies against `aim`: by the whole interval, never by the point figure alone.

    'above' where all of the interval is over the aim, 'below' where all is under it. Chosen here; not from a source.
    """
    if interval.is_known and interval.low > aim:
        return "above"
    return "below" if interval.is_known and interval.high < aim else "cannot tell"
