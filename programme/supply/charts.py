"""Pictures of the blood page, drawn on the server: thirteen weeks with their ranges, and where units ended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from programme.supply.numeric.ends import Ends

WIDTH, HEIGHT, BASE = 1290.0, 124.0, 124.0
ROUND_STEPS = (2, 5, 10, 20, 50, 100, 200, 500, 1000)


@dataclass(frozen=True, slots=True)
class Stem:
    """One week: where it stands, its range and middle. booked: all of it comes from bookings."""

    x: float
    low: float
    middle: float
    high: float
    words: str
    booked: bool
    left: float
    wide: float


@dataclass(frozen=True, slots=True)
class DemandPicture:
    """Stems of the weeks and the lines of the scale (y, words)."""

    stems: tuple[Stem, ...]
    lines: tuple[tuple[float, str], ...]


def draw_weeks(weeks: Sequence[tuple[float, float, float, bool]]) -> DemandPicture:
    """Return the picture of weeks given as (p10, p50, p90, all of it booked), in units."""
    most = max((week[2] for week in weeks), default=0.0)
    step = next((step for step in ROUND_STEPS if most / step <= 4), ROUND_STEPS[-1])
    top = step * max(int(-(-most // step)), 1)
    wide = WIDTH / max(len(weeks), 1)

    def y(units: float) -> float:
        return round(BASE - units / top * (BASE - 14.0), 1)

    stems = tuple(
        Stem(
            x=round(wide * (place + 0.5), 1),
            low=y(low),
            middle=y(middle),
            high=y(high),
            words=f"{middle:.0f}",
            booked=booked,
            left=round(wide * place, 1),
            wide=round(wide, 1),
        )
        for place, (low, middle, high, booked) in enumerate(weeks)
    )
    return DemandPicture(stems, tuple((y(units), str(units)) for units in range(0, top + 1, step)))


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the bar of ends: its words, count, and place along the bar."""

    name: str
    count: int
    left: float
    wide: float
    kind: str


def draw_ends(ends: Ends) -> tuple[Part, ...]:
    """Return the bar of all units that came in a span, parted by where they ended; empty parts are left out."""
    counts = (
        ("given", ends.given, "p-ink"),
        ("returned", ends.returned, "p-mid"),
        ("discarded", ends.discarded, "p-over"),
        ("still here", ends.here, "p-paper"),
    )
    parts, left = [], 0.0
    for name, count, kind in counts:
        wide = WIDTH * count / max(ends.came, 1)
        if count:
            parts.append(Part(name, count, round(left, 1), round(wide, 1), kind))
        left += wide
    return tuple(parts)
