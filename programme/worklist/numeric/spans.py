"""Two spans of one person's course side by side: what was measured in each, the difference, and how sure it is.

Sessions of one person in a span are taken as independent of one another, which they are only roughly: what was left
after one session is what the next climb starts from. Units and iron are counts of all that was given, so their
difference has no interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from programme.core.numeric.intervals import wilson

DAYS_A_YEAR = 365.25
SURE = 0.95
Z95 = 1.959963984540054  # of the standard normal
FEWEST_FOR_INTERVAL = 2


@dataclass(frozen=True, slots=True)
class Done:
    """One session carried out, on the ordinal `day`; None where not known. over: HbS before was over its ceiling."""

    day: int
    before_pct: float | None = None
    over: bool = False
    pace_pct_per_day: float | None = None
    hb_before_g_l: float | None = None
    hb_after_g_l: float | None = None
    units: float | None = None
    points_per_unit: float | None = None
    share_of_ideal_pct: float | None = None
    share_of_ideal_sd_pct: float | None = None
    net_iron_mg: float | None = None
    after_missed: bool = False


@dataclass(frozen=True, slots=True)
class Visits:
    """Bookings of a span: came on a safe day, came after the last safe day, did not come."""

    came: int = 0
    late: int = 0
    missed: int = 0

    @property
    def all(self) -> int:
        return self.came + self.late + self.missed


@dataclass(frozen=True, slots=True)
class Weighed:
    """A mean of n values weighed by how sure each is, and the standard error of it, nan of a single one."""

    mean: float
    se: float
    n: int


def weighed(values: Sequence[tuple[float, float]]) -> Weighed | None:
    """Return the mean of (value, its standard deviation) by inverse variance; None without values.

    A ratio of logs is worth next to nothing where little was drawn: one such session would decide a plain mean. Values
    that differ by more than they are unsure widen the error by √(χ²/(n − 1)) (Birge RT, Phys Rev 1932;40:207-27, from
    memory).
    """
    if not values:
        return None
    found, sds = (np.array(part, dtype=float) for part in zip(*values, strict=True))
    weights = 1.0 / sds**2
    mean, n = float((weights * found).sum() / weights.sum()), len(found)
    if n < FEWEST_FOR_INTERVAL:
        return Weighed(mean, math.nan, n)
    apart = float((weights * (found - mean) ** 2).sum()) / (n - 1)
    return Weighed(mean, math.sqrt(max(apart, 1.0) / float(weights.sum())), n)


@dataclass(frozen=True, slots=True)
class Span:
    """What lies between two ordinal days, both included."""

    first: int
    last: int
    done: tuple[Done, ...]
    visits: Visits = Visits()

    @property
    def days(self) -> int:
        return self.last - self.first + 1

    @property
    def measured(self) -> int:
        """Sessions with HbS before."""
        return sum(row.before_pct is not None for row in self.done)

    @property
    def over(self) -> int:
        return sum(row.over for row in self.done)

    def values(self, name: str) -> tuple[float, ...]:
        """Return what is known of one figure, session by session."""
        return tuple(value for row in self.done if (value := getattr(row, name)) is not None)

    def mean(self, name: str) -> float | None:
        found = self.values(name)
        return sum(found) / len(found) if found else None

    def share_of_ideal(self) -> Weighed | None:
        """Own cells removed against the ideal [%], each session counting by how surely it tells; None without any."""
        rows = [(row.share_of_ideal_pct, row.share_of_ideal_sd_pct) for row in self.done]
        return weighed([(share, sd) for share, sd in rows if share is not None and sd is not None and sd > 0])

    def total(self, name: str) -> float | None:
        """The sum over all sessions; None where it is not known of every one, for a part is no total."""
        found = self.values(name)
        return sum(found) if found and len(found) == len(self.done) else None

    def a_year(self, name: str) -> float | None:
        total = self.total(name)
        return None if total is None else total * DAYS_A_YEAR / self.days


def span_of(done: Sequence[Done], first: int, last: int, visits: Visits = Visits()) -> Span:
    """Return the sessions from `first` to `last`, ordinals, both included. Raises ValueError for a span backwards."""
    if last < first:
        raise ValueError("A span cannot end before it begins.")
    return Span(first, last, tuple(row for row in done if first <= row.day <= last), visits)


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure of two spans. low, high: 95 % interval of `second - first`, None where there is none."""

    first: float | None
    second: float | None
    low: float | None = None
    high: float | None = None

    @property
    def change(self) -> float | None:
        return None if self.first is None or self.second is None else self.second - self.first

    @property
    def stands_out(self) -> bool:
        """Whether the interval leaves out no difference at all."""
        return self.low is not None and self.high is not None and (self.low > 0 or self.high < 0)


def of_means(first: Sequence[float], second: Sequence[float]) -> Difference:
    """Return the difference of two means with its 95 % interval, variances not taken as equal.

    first, second : values [any unit]. Source: Welch BL, Biometrika 1947;34:28-35; degrees of freedom as Satterthwaite
    FE, Biometrics Bulletin 1946;2:110-4. Under two values on a side there is no interval.
    """
    a, b = np.array(first, dtype=float), np.array(second, dtype=float)
    means = [None if not len(values) else float(values.mean()) for values in (a, b)]
    if min(len(a), len(b)) < FEWEST_FOR_INTERVAL:
        return Difference(means[0], means[1])
    va, vb = float(a.var(ddof=1)) / len(a), float(b.var(ddof=1)) / len(b)
    change = float(b.mean() - a.mean())
    if va + vb == 0.0:
        return Difference(means[0], means[1])  # values that do not vary at all say nothing of how sure they are
    freedom = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    half = float(stdtrit(freedom, (1 + SURE) / 2)) * math.sqrt(va + vb)
    return Difference(means[0], means[1], change - half, change + half)


def of_weighed(first: Weighed | None, second: Weighed | None) -> Difference:
    """Return the difference of two weighed means with its 95 % interval; errors add by squares."""
    means = [None if found is None else found.mean for found in (first, second)]
    if first is None or second is None or math.isnan(first.se) or math.isnan(second.se):
        return Difference(means[0], means[1])
    half = Z95 * math.hypot(first.se, second.se)
    change = second.mean - first.mean
    return Difference(first.mean, second.mean, change - half, change + half)


def of_shares(first: tuple[int, int], second: tuple[int, int]) -> Difference:
    """Return the difference of two shares, second less first, with its 95 % interval.

    first, second : (how many, of how many). Formula: Wilson limits of each share, joined by squares. Source: Newcombe
    RG, Statistics in Medicine 1998;17:873-90, method 10. With nobody on a side there is no interval.
    """
    shares = [None if not n else k / n for k, n in (first, second)]
    if shares[0] is None or shares[1] is None:
        return Difference(shares[0], shares[1])
    a, b = wilson(*first), wilson(*second)
    change = shares[1] - shares[0]
    low = change - math.hypot(shares[1] - b.low, a.high - shares[0])
    high = change + math.hypot(b.high - shares[1], shares[0] - a.low)
    return Difference(shares[0], shares[1], low, high)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a comparison. places: decimals. counted: a sum of all that was given, which has no interval."""

    name: str
    unit: str
    places: int
    difference: Difference
    counted: bool = False


def compare(first: Span, second: Span) -> tuple[Line, ...]:
    """Return two spans line by line: how HbS came and went, what was given for it, and who came."""

    def mean(name: str) -> Difference:
        return of_means(first.values(name), second.values(name))

    def yearly(name: str) -> Difference:
        return Difference(first.a_year(name), second.a_year(name))

    def percent(said: Difference) -> Difference:
        parts = (said.first, said.second, said.low, said.high)
        return Difference(*(None if part is None else 100 * part for part in parts))

    over = of_shares((first.over, first.measured), (second.over, second.measured))
    came = of_shares((first.visits.came, first.visits.all), (second.visits.came, second.visits.all))
    return (
        Line("HbS before", "%", 1, mean("before_pct")),
        Line("over the ceiling", "in 100", 0, percent(over)),
        Line("pace", "points a day", 2, mean("pace_pct_per_day")),
        Line("Hb before", "g/L", 0, mean("hb_before_g_l")),
        Line("points per unit", "points", 1, mean("points_per_unit")),
        Line("share of ideal", "%", 0, of_weighed(first.share_of_ideal(), second.share_of_ideal())),
        Line("units a session", "units", 1, mean("units")),
        Line("units a year", "units", 0, yearly("units"), counted=True),
        Line("net iron a year", "mg", 0, yearly("net_iron_mg"), counted=True),
        Line("came on a safe day", "in 100", 0, percent(came)),
    )
