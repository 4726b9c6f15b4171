"""One measure as it is shown: its figure now and in the span before, what changed, and the verdict on the aim."""

from __future__ import annotations

import math
from dataclasses import dataclass

from programme.core.numeric.differences import Difference, persons_compared, rates_compared
from programme.core.numeric.intervals import Interval, Verdict, persons_resampled, poisson_exact, verdict, wilson
from programme.review.numeric.measures import Count
from programme.review.queries.definitions import EXACT, ONE_EACH, Definition


@dataclass(frozen=True, slots=True)
class Figure:
    """What was counted in one span, in how many people. found, low, high: in the measure's unit; None without one."""

    numerator: float
    denominator: float
    n_people: int
    missing: int
    found: float | None
    low: float | None
    high: float | None
    why_not: str


@dataclass(frozen=True, slots=True)
class Change:
    """Now less the span before, or now over it (`is_ratio`). None where there is none, or no end to it.

    beyond_chance: the interval as it is shown, rounded, leaves out no difference at all.
    """

    value: float | None
    low: float | None
    high: float | None
    why_not: str
    is_ratio: bool
    beyond_chance: bool

    @property
    def words(self) -> str:
        """What the interval lets one say."""
        if self.why_not or self.low is None:
            return self.why_not
        if not self.beyond_chance:
            return "may be chance"
        return "clearly higher" if self.low > (1.0 if self.is_ratio else 0.0) else "clearly lower"


@dataclass(frozen=True, slots=True)
class Row:
    """One measure of one group of people. aim: in its unit, None where the unit has none."""

    definition: Definition
    now: Figure
    before: Figure
    change: Change
    aim: float | None
    verdict: Verdict | None


def row_of(definition: Definition, now: Count, before: Count, aim: float) -> Row:
    """Return the measure with its intervals; `aim` of 0 is none."""
    limits = interval_of(definition, now)
    said = aim > 0 and now.denominator.sum() > 0
    return Row(
        definition=definition,
        now=_figure(definition, now, limits),
        before=_figure(definition, before, interval_of(definition, before)),
        change=_change(definition, now, before),
        aim=aim or None,
        verdict=verdict(limits, aim / definition.times) if said else None,
    )


def interval_of(definition: Definition, count: Count) -> Interval:
    """Return the 95 % interval of a measure by its own method, before it is multiplied."""
    if definition.how == EXACT:
        return poisson_exact(int(count.numerator.sum()), float(count.denominator.sum()))
    if definition.how == ONE_EACH:
        return wilson(int(count.numerator.sum()), int(count.denominator.sum()))
    return persons_resampled(count.numerator, count.denominator)


def _figure(definition: Definition, count: Count, limits: Interval) -> Figure:
    top, bottom, times = float(count.numerator.sum()), float(count.denominator.sum()), definition.times
    return Figure(
        numerator=top,
        denominator=bottom,
        n_people=int((count.denominator > 0).sum()),
        missing=count.missing,
        found=times * top / bottom if bottom > 0 else None,
        low=times * limits.low if limits.is_known else None,
        high=times * limits.high if limits.is_known else None,
        why_not=limits.why_not,
    )


def _change(definition: Definition, now: Count, before: Count) -> Change:
    if definition.how == EXACT:
        pairs = [(int(one.numerator.sum()), float(one.denominator.sum())) for one in (now, before)]
        return _said(rates_compared(pairs[0], pairs[1]), 1.0, places=2)
    pair = persons_compared((now.numerator, now.denominator), (before.numerator, before.denominator))
    return _said(pair, definition.times, places=definition.places)


def _said(found: Difference, times: float, *, places: int) -> Change:
    value, low, high = (
        round(times * figure, places) if math.isfinite(figure) else None
        for figure in (found.value, found.interval.low, found.interval.high)
    )
    same = 1.0 if found.is_ratio else 0.0
    beyond = found.beyond_chance and same not in (low, high)
    return Change(value, low, high, found.interval.why_not, found.is_ratio, beyond)
