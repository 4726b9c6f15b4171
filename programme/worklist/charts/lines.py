"""What the small and the full picture share: the fan of a forecast, and sessions as climbs and drops.

Solid is measured, dashes and bands are reckoned; what lies over the ceiling is accent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from programme.worklist.numeric.course import Forecast, Visit, ceiling_on
from programme.worklist.numeric.picture import Point, Scale, area_path, coordinate, cut, line_path, part_over


@dataclass(frozen=True, slots=True)
class Fan:
    """The fan as paths: outer and inner band, what lies over the ceiling, the middle line."""

    outer: str
    inner: str
    over: str
    middle: str


def draw_fan(forecast: Forecast, end: int, ceiling_pct: float, x: Scale, y: Scale) -> Fan:
    """Return the paths of `forecast` up to the ordinal day `end`."""
    last = end - forecast.start
    days, p10 = cut(forecast.days, forecast.p10, last)
    p25, p50, p75, p90 = (
        cut(forecast.days, q, last)[1] for q in (forecast.p25, forecast.p50, forecast.p75, forecast.p90)
    )
    xs = [x.at(forecast.start + day) for day in days]

    def edge(values: Sequence[float]) -> list[Point]:
        return [(px, y.held(value)) for px, value in zip(xs, values, strict=True)]

    def moved(part: Sequence[Point]) -> list[Point]:
        return [(x.at(forecast.start + day), y.held(value)) for day, value in part]

    over = part_over(days, p10, p90, ceiling_pct)
    return Fan(
        outer=area_path(edge(p90), edge(p10)),
        inner=area_path(edge(p75), edge(p25)),
        over="".join(area_path(moved(up), moved(down)) for up, down in over),
        middle=line_path(edge(p50)),
    )


@dataclass(frozen=True, slots=True)
class Lines:
    """Sessions as paths: measured climbs and drops solid, those with a reckoned end dashed."""

    climbs: str
    drops: str
    dashes: str
    before: tuple[tuple[str, str], ...]
    before_over: tuple[tuple[str, str], ...]
    after: tuple[tuple[str, str], ...]


def draw_lines(visits: Sequence[Visit], ceilings: Sequence[tuple[int, float]], x: Scale, y: Scale) -> Lines:
    """Return climbs, drops and points. Where an end is not known and cannot be reckoned, nothing is joined."""
    climbs: list[str] = []
    drops: list[str] = []
    dashes: list[str] = []
    before: list[tuple[str, str]] = []
    over: list[tuple[str, str]] = []
    after: list[tuple[str, str]] = []
    previous: Visit | None = None
    for visit in visits:
        px = x.at(visit.day)
        if visit.before_pct is not None:
            py = y.held(visit.before_pct)
            if previous is not None and previous.after_pct is not None:
                climb = line_path([(x.at(previous.day), y.held(previous.after_pct)), (px, py)])
                (dashes if previous.after_reckoned else climbs).append(climb)
            if visit.after_pct is not None:
                drop = f"M{coordinate(px)} {coordinate(py)}V{coordinate(y.held(visit.after_pct))}"
                (dashes if visit.after_reckoned else drops).append(drop)
            dots = over if visit.before_pct > ceiling_on(ceilings, visit.day) else before
            dots.append((coordinate(px), coordinate(py)))
        if visit.after_pct is not None and not visit.after_reckoned:
            after.append((coordinate(px), coordinate(y.held(visit.after_pct))))
        previous = visit
    return Lines("".join(climbs), "".join(drops), "".join(dashes), tuple(before), tuple(over), tuple(after))
