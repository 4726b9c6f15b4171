"""Forecast against measured, a line each: figures as printed, the bar of eight in ten and the dot, and words."""

import math
from dataclasses import dataclass

from sessions.day.numeric.after import Figure

WIDTH, LEFT, RIGHT = 250.0, 30.0, 220.0
ROOM = 1.3  # of the widest half, on both sides of what is drawn; chosen here


@dataclass(frozen=True, slots=True)
class Bar:
    """The picture of one line in picture units; `dot` is '' where nothing was measured."""

    low: str
    high: str
    band_x: str
    band_width: str
    middle: str
    dot: str


@dataclass(frozen=True, slots=True)
class Against:
    """One line: forecast, eight in ten, measured ('' where it was not), unit, picture and words."""

    name: str
    forecast: str
    span: str
    measured: str
    unit: str
    bar: Bar
    words: str
    parted: bool


def against(
    name: str, figure: Figure, measured: float | None, unit: str, *, places: int, step: float, more: str = ""
) -> Against:
    """Return the line of one figure. step: the ends of the scale are whole multiples of it. more: after the verdict."""
    parted = measured is not None and not figure.holds(measured)
    if measured is None:
        words = "not measured yet"
    elif not parted:
        words = "inside"
    else:
        words = "above eight in ten" if measured > figure.p90 else "below eight in ten"
    return Against(
        name=name,
        forecast=f"{figure.p50:.{places}f}",
        span=f"{figure.p10:.{places}f} to {figure.p90:.{places}f}",
        measured="" if measured is None else f"{measured:.{places}f}",
        unit=unit,
        bar=_bar(figure, measured, step),
        words=f"{words}; {more}" if more else words,
        parted=parted,
    )


def _bar(figure: Figure, measured: float | None, step: float) -> Bar:
    reach = [figure.p10, figure.p90] + ([] if measured is None else [measured])
    room = ROOM * (figure.p90 - figure.p10) / 2
    low = math.floor((min(reach) - room) / step) * step
    high = math.ceil((max(reach) + room) / step) * step
    low = max(low, 0.0)

    def at(value: float) -> float:
        return LEFT + (RIGHT - LEFT) * (value - low) / (high - low)

    return Bar(
        low=f"{low:g}",
        high=f"{high:g}",
        band_x=f"{at(max(figure.p10, low)):.1f}",
        band_width=f"{at(figure.p90) - at(max(figure.p10, low)):.1f}",
        middle=f"{at(figure.p50):.1f}",
        dot="" if measured is None else f"{at(measured):.1f}",
    )


@dataclass(frozen=True, slots=True)
class OpenDay:
    """One open day on which to come back: ISO date, days since the session, chance of being over (0 to 1)."""

    on: str
    days: int
    chance: float
    suggested: bool
    last_safe: bool
    late: bool


def days_to_show(
    days: list[tuple[str, int, float]], *, suggested: str, last_safe: str, before: int = 4, after: int = 3
) -> tuple[OpenDay, ...]:
    """Return the open days around the last safe one: (ISO date, days since, chance) in order, a few on each side.

    Where the last safe day itself is not open, the open day before it closes the safe ones. The suggested day is
    always among them.
    """
    safe = [place for place, row in enumerate(days) if row[0] <= last_safe]
    turn = safe[-1] + 1 if safe else 0
    start = max(turn - before, 0)
    chosen = [place for place, row in enumerate(days) if row[0] == suggested]
    if chosen and chosen[0] < start:
        start = chosen[0]
    stop = max(turn + after, chosen[0] + 1 if chosen else 0)
    return tuple(
        OpenDay(on, since, chance, on == suggested, place == turn - 1, place >= turn)
        for place, (on, since, chance) in enumerate(days)
        if start <= place < stop
    )[: before + after + 3]
