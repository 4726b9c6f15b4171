"""Geometry of the pictures: scales, bands, the part of a band over a line, the months under a course.

Coordinates are picture units with one decimal; days are ordinals (`date.toordinal`). Nothing here knows a person.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

Point = tuple[float, float]


def coordinate(value: float) -> str:
    """Return `value` to one decimal, without a needless '.0'."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale that maps [`low`, `high`] to [`start`, `end`]; `at` follows it beyond, `held` does not."""

    low: float
    high: float
    start: float
    end: float

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"a scale needs low < high, not {self.low:g} and {self.high:g}")

    def at(self, value: float) -> float:
        return self.start + (value - self.low) * (self.end - self.start) / (self.high - self.low)

    def held(self, value: float) -> float:
        return self.at(min(max(value, self.low), self.high))


def value_at(days: Sequence[float], values: Sequence[float], day: float) -> float:
    """Return the value on `day`, straight between the given days and level beyond them.

    Raises ValueError when there is no day, or as many values as days are not given.
    """
    if not days or len(days) != len(values):
        raise ValueError(f"{len(days)} days and {len(values)} values cannot be read")
    if day <= days[0]:
        return values[0]
    for i in range(1, len(days)):
        if day <= days[i]:
            share = (day - days[i - 1]) / (days[i] - days[i - 1])
            return values[i - 1] + share * (values[i] - values[i - 1])
    return values[-1]


def cut(days: Sequence[float], values: Sequence[float], last: float) -> tuple[list[float], list[float]]:
    """Return the days up to `last` and their values, ending on `last` itself where the days reach so far."""
    end = min(last, days[-1])
    kept = [i for i, day in enumerate(days) if day < end]
    return [days[i] for i in kept] + [end], [values[i] for i in kept] + [value_at(days, values, end)]


def line_path(points: Iterable[Point]) -> str:
    """Return the path through `points`."""
    return "M" + "L".join(f"{coordinate(x)} {coordinate(y)}" for x, y in points)


def area_path(upper: Sequence[Point], lower: Sequence[Point]) -> str:
    """Return the closed path between two lines drawn left to right."""
    return line_path([*upper, *reversed(lower)]) + "Z"


def part_over(
    days: Sequence[float], low: Sequence[float], high: Sequence[float], line: float
) -> list[tuple[list[Point], list[Point]]]:
    """Return the parts of the band [low, high] that lie over `line`, each as its (upper, lower) edge in (day, value).

    Days where the upper or the lower edge crosses the line are added, so the edges are exact for straight pieces.
    """
    crossings = [c for edge in (low, high) for c in _crossings(days, edge, line)]
    every = sorted({*days, *crossings})
    parts: list[tuple[list[Point], list[Point]]] = []
    upper: list[Point] = []
    lower: list[Point] = []
    for day in every:
        top, bottom = value_at(days, high, day), value_at(days, low, day)
        if top >= line - 1e-9:
            upper.append((day, max(top, line)))
            lower.append((day, max(bottom, line)))
        elif upper:
            parts.append((upper, lower))
            upper, lower = [], []
    parts.append((upper, lower))
    return [(up, down) for up, down in parts if any(u[1] > line + 1e-9 for u in up)]


def _crossings(days: Sequence[float], edge: Sequence[float], line: float) -> list[float]:
    found = []
    for i in range(1, len(days)):
        a, b = edge[i - 1] - line, edge[i] - line
        if a * b < 0:
            found.append(days[i - 1] + (days[i] - days[i - 1]) * a / (a - b))
    return found


@dataclass(frozen=True, slots=True)
class Month:
    """One block of the months bar: `filled` every other one; `label` empty where there is no room for it."""

    x: str
    width: str
    middle: str
    label: str
    filled: bool
    is_year: bool


def month_starts(first: int, last: int) -> tuple[tuple[int, int, int], ...]:
    """Return (first day, first day of the next, number 1 to 12) of each month that touches the ordinal days given."""
    months = []
    start = date.fromordinal(first).replace(day=1)
    while start.toordinal() < last:
        after = date(start.year + start.month // 12, start.month % 12 + 1, 1)
        months.append((start.toordinal(), after.toordinal(), start.month))
        start = after
    return tuple(months)


def month_bar(scale: Scale, *, room: float = 26.0) -> tuple[Month, ...]:
    """Return the months that `scale` (of days) covers; January carries the year; narrow months drop their label."""
    months: list[Month] = []
    for start, after, number in month_starts(int(scale.low), int(scale.high)):
        left, right = scale.held(start), scale.held(after)
        whole = scale.at(after) - scale.at(start)
        every = 1 if whole >= room else 3 if 3 * whole >= room else 12
        shown = (number - 1) % every == 0 and (every > 1 or right - left >= room * 0.8)
        day = date.fromordinal(start)
        months.append(
            Month(
                x=coordinate(left),
                width=coordinate(right - left),
                middle=coordinate((left + right) / 2),
                label=(str(day.year) if number == 1 else f"{day:%b}") if shown else "",
                filled=number % 2 == 1,
                is_year=number == 1,
            )
        )
    return tuple(months)


def apart(xs: Sequence[float], room: float) -> list[bool]:
    """Say which of the ascending positions may carry a label so that labels stand at least `room` apart.

    The last always does; from it backwards every next one with room.
    """
    shown = [False] * len(xs)
    edge = float("inf")
    for i in range(len(xs) - 1, -1, -1):
        if edge - xs[i] >= room:
            shown[i], edge = True, xs[i]
    return shown
