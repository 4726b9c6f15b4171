"""The stored demand as the blood page shows it, with how past ones did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from statistics import fmean
from typing import Any

from programme.core.models import Site
from programme.supply.models import DemandForecast, DemandLookBack
from programme.supply.numeric.demand import ALL
from programme.supply.queries.demand import PastWeek, learnt_of

DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class WeekCell:
    """One week of one group. all_booked: the whole range is what is booked."""

    monday: date
    low: float
    middle: float
    high: float
    booked: int

    @property
    def all_booked(self) -> bool:
        return self.low == self.high == self.booked and self.booked > 0


@dataclass(frozen=True, slots=True)
class GroupLine:
    """One group over all weeks; name None for all groups together."""

    name: str | None
    cells: tuple[WeekCell, ...]


@dataclass(frozen=True, slots=True)
class ClassLine:
    """One phenotype over all weeks, of one group; group None for all groups together. expected: of all weeks."""

    group: str | None
    phenotype: str
    cells: tuple[WeekCell, ...]
    expected: float


@dataclass(frozen=True, slots=True)
class GroupTrack:
    """How the newer half of past forecasts did for one group, name None for all: means of a week, and weeks inside.

    low, high: of the range, widened by what the older half of all groups together asked for.
    """

    name: str | None
    expected: float
    used: float
    low: float
    high: float
    held: int
    weeks: int

    @property
    def held_in_100(self) -> float:
        return 100.0 * self.held / self.weeks


@dataclass(frozen=True, slots=True)
class Track:
    """How past forecasts did.

    held of weeks: of the newer half, with ranges widened by what the older half asked for. stretch: of all. ahead:
    (weeks ahead, weeks inside the range widened by `stretch`, weeks looked at): weeks that `stretch` was learnt from.
    groups: of the newer half alone.
    """

    held: int
    weeks: int
    stretch: float
    since: date
    ahead: tuple[tuple[int, int, int], ...]
    groups: tuple[GroupTrack, ...]

    @property
    def held_in_100(self) -> float:
        return 100.0 * self.held / self.weeks if self.weeks else 0.0


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What the page says on demand; `lines` is empty where none was made yet."""

    as_of: date | None
    is_old: bool
    lines: tuple[GroupLine, ...]
    classes: tuple[ClassLine, ...]
    expected: float
    searched_a_week: float
    left_out: tuple[str, ...]
    track: Track | None

    @property
    def weeks(self) -> tuple[WeekCell, ...]:
        return self.lines[-1].cells if self.lines else ()

    @property
    def phenotypes(self) -> tuple[ClassLine, ...]:
        """Each phenotype, all groups together."""
        return tuple(line for line in self.classes if line.group is None)

    @property
    def by_both(self) -> tuple[ClassLine, ...]:
        """Each group and phenotype."""
        return tuple(line for line in self.classes if line.group is not None)

    @property
    def a_week(self) -> float:
        return self.expected / max(len(self.weeks), 1)

    @property
    def a_year(self) -> float:
        return self.a_week * DAYS_A_YEAR / 7.0


def foreseen(site: Site, now: datetime) -> Foreseen:
    """Return the newest stored demand of a site and what belongs beside it; two queries."""
    row = DemandForecast.objects.filter(site=site).order_by("-as_of").first()
    back = DemandLookBack.objects.filter(site=site).order_by("-as_of", "-pk").first()
    rows: Sequence[dict[str, Any]] = row.rows if row is not None else ()
    of_all = [week for week in rows if week["group"] == ALL]
    return Foreseen(
        as_of=row.as_of if row is not None else None,
        is_old=row is not None and row.as_of < now.date(),
        lines=_lines(rows),
        classes=_classes(row.classes) if row is not None else (),
        expected=sum(week["expected"] for week in of_all),
        searched_a_week=sum(week["searched"]["expected"] for week in of_all) / max(len(of_all), 1),
        left_out=tuple(row.left_out) if row is not None else (),
        track=_track(back) if back is not None else None,
    )


def _lines(rows: Sequence[dict[str, Any]]) -> tuple[GroupLine, ...]:
    cells: dict[str, list[WeekCell]] = {}
    for week in rows:
        cells.setdefault(week["group"], []).append(_cell(week))
    return tuple(GroupLine(None if name == ALL else name, tuple(line)) for name, line in cells.items())


def _classes(rows: Sequence[dict[str, Any]]) -> tuple[ClassLine, ...]:
    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for week in rows:
        found.setdefault((week["group"], week["phenotype"]), []).append(week)
    return tuple(
        ClassLine(
            None if group == ALL else group,
            phenotype,
            tuple(_cell(week) for week in some),
            sum(week["expected"] for week in some),
        )
        for (group, phenotype), some in found.items()
    )


def _cell(week: dict[str, Any]) -> WeekCell:
    return WeekCell(date.fromisoformat(week["week_start"]), week["p10"], week["p50"], week["p90"], week["booked"])


def _track(back: DemandLookBack) -> Track:
    rows = [_past_week(row) for row in back.rows]
    of_all = [row for row in rows if row.group == ALL]
    by_ahead: dict[int, list[bool]] = {}
    for row in of_all:
        by_ahead.setdefault(row.ahead, []).append(_inside(row, back.stretch))
    ahead = tuple((weeks, sum(held), len(held)) for weeks, held in sorted(by_ahead.items()))
    since = min(row.as_of for row in of_all)
    return Track(back.held_later, back.weeks_later, back.stretch, since, ahead, _groups(rows, of_all))


def _past_week(stored: dict[str, Any]) -> PastWeek:
    days = {name: date.fromisoformat(stored[name]) for name in ("as_of", "week_start")}
    return PastWeek(**{"group": ALL, "expected": stored["p50"], **stored, **days})


def _inside(row: PastWeek, stretch: float) -> bool:
    low, high = _widened(row, stretch)
    return low <= row.used + 1e-9 and row.used <= high + 1e-9


def _widened(row: PastWeek, stretch: float) -> tuple[float, float]:
    return max(row.p50 - stretch * (row.p50 - row.p10), 0.0), row.p50 + stretch * (row.p90 - row.p50)


def _groups(rows: Sequence[PastWeek], of_all: Sequence[PastWeek]) -> tuple[GroupTrack, ...]:
    """How each group did in the newer half of the weeks, with what the older half had taught."""
    learnt = learnt_of(of_all)
    newer = {(row.as_of, row.week_start) for row in of_all[len(of_all) // 2 :]}
    by_group: dict[str, list[PastWeek]] = {}
    for row in rows:
        if (row.as_of, row.week_start) in newer:
            by_group.setdefault(row.group, []).append(row)
    return tuple(
        _one_group(name, some, learnt) for name, some in sorted(by_group.items(), key=lambda one: one[0] == ALL)
    )


def _one_group(name: str, rows: Sequence[PastWeek], stretch: float) -> GroupTrack:
    ranges = [_widened(row, stretch) for row in rows]
    return GroupTrack(
        name=None if name == ALL else name,
        expected=fmean(row.expected for row in rows),
        used=fmean(row.used for row in rows),
        low=fmean(low for low, _ in ranges),
        high=fmean(high for _, high in ranges),
        held=sum(_inside(row, stretch) for row in rows),
        weeks=len(rows),
    )
