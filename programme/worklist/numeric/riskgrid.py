"""The risk grid: interval by end target, the chance of being over the ceiling, and the line of the accepted chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from programme.worklist.numeric.picture import value_at

STEPS = (0.10, 0.25, 0.50)  # paper tints up to these chances; chosen here, the printed number is the meaning


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: chance in whole numbers of 100, tint 1 to 4, edges on which the accepted line runs, letters."""

    text: str
    step: int
    edges: tuple[str, ...]
    letters: tuple[str, ...]

    @property
    def classes(self) -> str:
        return " ".join((f"g{self.step}", *self.edges))


@dataclass(frozen=True, slots=True)
class GridRow:
    """One interval of the grid. [d]"""

    days: int
    cells: tuple[Cell, ...]


def risk_grid(
    days: Sequence[int],
    ends: Sequence[float],
    chance: Sequence[Sequence[float]],
    accepted: float,
    choices: Sequence[tuple[str, float, float]] = (),
) -> tuple[GridRow, ...]:
    """Return the grid, a row for each interval [d] and a cell for each end target [%].

    chance: [days][ends], 0..1. accepted: the line runs between cells up to it and cells over it. choices: (letter,
    interval [d], end target [%]); each letter stands in the nearest cell, one outside the grid nowhere.
    Raises ValueError when the table has holes.
    """
    if len(chance) != len(days) or any(len(row) != len(ends) for row in chance):
        raise ValueError(f"a grid of {len(days)} intervals and {len(ends)} end targets needs as many chances")
    inside = [[value <= accepted for value in row] for row in chance]
    letters: dict[tuple[int, int], list[str]] = {}
    for letter, interval, end in choices:
        if not (_near(days, interval) and _near(ends, end)):
            continue
        letters.setdefault((_nearest(days, interval), _nearest(ends, end)), []).append(letter)
    return tuple(
        GridRow(
            day,
            tuple(
                Cell(
                    text=_hundred(chance[r][c]),
                    step=1 + sum(chance[r][c] > limit for limit in STEPS),
                    edges=_edges(inside, r, c),
                    letters=tuple(letters.get((r, c), ())),
                )
                for c in range(len(ends))
            ),
        )
        for r, day in enumerate(days)
    )


def longest_within(
    days: Sequence[int], ends: Sequence[float], chance: Sequence[Sequence[float]], accepted: float, end: float
) -> tuple[int, float] | None:
    """Return the longest interval of the grid [d] at which ending at `end` [%] stays accepted, and its chance.

    Between two end targets the chance is read straight; beyond the grid there is no answer (None), nor where nothing
    in the grid is accepted. An interval counts only if every shorter one of the grid is accepted too.
    """
    if not ends or not ends[0] <= end <= ends[-1]:
        return None
    best = None
    for day, row in zip(days, chance, strict=True):
        here = value_at(ends, row, end)
        if here > accepted:
            break
        best = (day, here)
    return best


def _near(values: Sequence[float], wanted: float) -> bool:
    """Say whether `wanted` lies in the grid, or beyond its rim by less than the step there."""
    if len(values) < 2:
        return bool(values) and values[0] == wanted
    return 2 * values[0] - values[1] < wanted < 2 * values[-1] - values[-2]


def _nearest(values: Sequence[float], wanted: float) -> int:
    return min(range(len(values)), key=lambda i: (abs(values[i] - wanted), i))


def _hundred(chance: float) -> str:
    if chance < 0.01:
        return "<1"
    return ">99" if chance > 0.99 else f"{100 * chance:.0f}"


def _edges(inside: list[list[bool]], r: int, c: int) -> tuple[str, ...]:
    """Edges of an inside cell towards cells outside; the rim of the grid carries no line."""
    if not inside[r][c]:
        return ()
    around = (("cr", r, c + 1), ("cb", r + 1, c), ("cl", r, c - 1), ("ct", r - 1, c))
    return tuple(
        name
        for name, row, column in around
        if 0 <= row < len(inside) and 0 <= column < len(inside[0]) and not inside[row][column]
    )
