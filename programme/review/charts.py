"""The bars of the review: where figure, interval, year before and aim lie on the measure's scale."""

from __future__ import annotations

from dataclasses import dataclass

from programme.review.queries.figures import Row

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
