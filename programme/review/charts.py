"""Drawings of the review: bars of figures on their scale, and what forecasts promised against what came true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from programme.review.queries.figures import Row
from programme.review.queries.how_good import Promise

LEFT, WIDTH = 14.0, 162.0


@dataclass(frozen=True, slots=True)
class Bar:
    """Places on the drawing [px]; None where there is nothing to draw."""

    most: float
    dot: float | None
    low: float | None
    high: float | None
    before: float | None
    aim: float | None


def draw(row: Row) -> Bar:
    """Return the bar of a row; figures beyond the scale widen it to the next round one."""
    shown = [value for value in (row.now.found, row.now.high, row.before.found, row.aim) if value is not None]
    most = row.definition.most
    while not row.definition.is_share and shown and max(shown) > most:
        most *= 2

    def x(value: float | None) -> float | None:
        return None if value is None else round(LEFT + WIDTH * min(max(value, 0.0), most) / most, 1)

    return Bar(most, x(row.now.found), x(row.now.low), x(row.now.high), x(row.before.found), x(row.aim))


SIDE, FOOT, SPAN = 44.0, 272.0, 260.0
TICKS = (0, 25, 50, 75, 100)


@dataclass(frozen=True, slots=True)
class Stem:
    """One group of forecasts on the drawing [px]; low and high None where there is no interval."""

    x: float
    y: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Square:
    """A square of said against seen, both 0 to 100: stems, and where its ticks lie along and up."""

    stems: tuple[Stem, ...]
    ticks: tuple[tuple[int, float, float], ...]


def square(promises: Sequence[Promise]) -> Square | None:
    """Return the drawing of what was promised against what came true; None where there is nothing to draw."""
    if not promises:
        return None

    def up(value: float | None) -> float | None:
        return None if value is None else round(FOOT - SPAN * value / 100, 1)

    stems = tuple(
        Stem(round(SIDE + SPAN * one.said / 100, 1), up(one.seen) or 0.0, up(one.low), up(one.high)) for one in promises
    )
    return Square(stems, tuple((tick, SIDE + SPAN * tick / 100, up(tick) or 0.0) for tick in TICKS))
