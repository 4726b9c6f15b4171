"""Pictures of the blood page, drawn on the server: thirteen weeks with ranges, and the ways of units to their ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from programme.supply.numeric.ends import DISCARDED, GIVEN, HERE, RETURNED, WAYS, Flow

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


FLOW_HEIGHT, THIN, GAP, NODE = 180.0, 1.5, 34.0, 12.0
CHAIR_X, END_X = 500.0, 1090.0
LABEL_AT = {"chair": 0.72, "straight": 0.62}
"""How far along a band its count stands: there the bands have parted."""
NAMES = {GIVEN: "given", HERE: "still here", RETURNED: "returned", DISCARDED: "discarded"}


@dataclass(frozen=True, slots=True)
class Band:
    """Units that went one way: the shape of the band, and where its count stands."""

    path: str
    kind: str
    count: int
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Node:
    """A place where units are: a bar with its name and count beside it."""

    x: float
    y: float
    high: float
    kind: str
    name: str
    count: int


@dataclass(frozen=True, slots=True)
class FlowPicture:
    """Bands and places of the units of a span, and how high the picture is."""

    bands: tuple[Band, ...]
    nodes: tuple[Node, ...]
    high: float


def draw_flow(flow: Flow) -> FlowPicture:
    """Return the picture of a flow of at least one unit: came, taken to a chair, and where they ended.

    A band is as thick as its units, but never so thin that it cannot be seen. Ways that nobody went are left out.
    """
    unit = FLOW_HEIGHT / max(flow.came, 1)

    def thick(count: int) -> float:
        return max(unit * count, THIN) if count else 0.0

    nodes, bands, into = [], [], {}
    top = 0.0
    for way in WAYS:
        if flow.at(way):
            high = thick(flow.chair[way]) + thick(flow.straight[way])
            nodes.append(Node(END_X, round(top, 1), round(high, 1), way, NAMES[way], flow.at(way)))
            into[way] = top
            top += max(high, NODE) + GAP
    chair, straight = 0.0, thick(flow.to_chair) + (GAP if flow.to_chair else 0.0)
    leaves = thick(flow.to_chair)
    if flow.to_chair:
        bands.append(_band(0.0, CHAIR_X, 0.0, 0.0, leaves, "chair", flow.to_chair, "straight"))
        nodes.append(Node(CHAIR_X, 0.0, round(leaves, 1), "chair", "taken to a chair", flow.to_chair))
    for way in WAYS:
        if flow.chair[way]:
            high = thick(flow.chair[way])
            bands.append(_band(CHAIR_X, END_X, chair, into[way], high, way, flow.chair[way], "chair"))
            chair, into[way] = chair + high, into[way] + high
        if flow.straight[way]:
            high = thick(flow.straight[way])
            bands.append(_band(0.0, END_X, leaves, into[way], high, way, flow.straight[way], "straight"))
            leaves += high
    nodes.insert(0, Node(0.0, 0.0, round(leaves, 1), "came", "came", flow.came))
    return FlowPicture(tuple(bands), tuple(nodes), round(max(top - GAP, leaves, straight - GAP) + 12.0, 1))


def _band(left: float, right: float, start: float, end: float, high: float, kind: str, count: int, where: str) -> Band:
    """A band of even height from one bar to another, bent in the middle."""
    left, middle, below = left + NODE, (left + NODE + right) / 2.0, end + high
    path = (
        f"M{left:.1f} {start:.1f}C{middle:.1f} {start:.1f} {middle:.1f} {end:.1f} {right:.1f} {end:.1f}V{below:.1f}"
        f"C{middle:.1f} {below:.1f} {middle:.1f} {start + high:.1f} {left:.1f} {start + high:.1f}Z"
    )
    t = LABEL_AT[where]
    bend = 3.0 * t * t - 2.0 * t**3
    x = (1.0 - t) ** 3 * left + 3.0 * t * (1.0 - t) * middle + t**3 * right
    return Band(path, kind, count, round(x, 1), round(start + (end - start) * bend + high / 2.0, 1))
