"""What is coming, week by week: units by group, what was confirmed of them, and who they are for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

from programme.supply.queries.orders import OrderLine


@dataclass(frozen=True, slots=True)
class Week:
    """One week from Monday: its lines by day, units by group in the order of the alphabet, and their sum."""

    monday: date
    number: int
    lines: tuple[OrderLine, ...]
    groups: tuple[tuple[str, int], ...]
    units: int
    confirmed: int
    unknown: int


def weeks_of(lines: Iterable[OrderLine]) -> tuple[Week, ...]:
    """Return lines by week. units: of all lines whose number is known; unknown: lines without a number of units."""
    ordered = sorted(lines, key=lambda line: line.starts)
    return tuple(_week(monday, tuple(rows)) for monday, rows in groupby(ordered, key=_monday))


def _monday(line: OrderLine) -> date:
    on = line.starts.date()
    return on - timedelta(days=on.weekday())


def _week(monday: date, lines: tuple[OrderLine, ...]) -> Week:
    counted: Counter[str] = Counter()
    for line in lines:
        counted[line.needs.group] += line.units or 0
    return Week(
        monday=monday,
        number=monday.isocalendar().week,
        lines=lines,
        groups=tuple(sorted((group, units) for group, units in counted.items() if units)),
        units=sum(counted.values()),
        confirmed=sum(line.confirmed for line in lines),
        unknown=sum(line.units is None for line in lines),
    )
