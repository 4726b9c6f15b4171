"""The stored demand as the blood page shows it, with how past ones did and where units of the last quarter ended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from programme.core.models import Site
from programme.supply.models import DemandForecast, DemandLookBack, SuppliedUnit
from programme.supply.numeric.demand import ALL
from programme.supply.numeric.ends import Ends, count_ends, exact_interval

QUARTER_DAYS = 91
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
class Track:
    """How past forecasts did.

    held of weeks: of the newer half, with ranges widened by what the older half asked for. stretch: of all. ahead:
    (weeks ahead, weeks inside the range widened by `stretch`, weeks looked at).
    """

    held: int
    weeks: int
    stretch: float
    since: date
    ahead: tuple[tuple[int, int, int], ...]

    @property
    def held_in_100(self) -> float:
        return 100.0 * self.held / self.weeks if self.weeks else 0.0


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What the page says on demand; `lines` is empty where none was made yet."""

    as_of: date | None
    is_old: bool
    lines: tuple[GroupLine, ...]
    expected: float
    searched_a_week: float
    left_out: tuple[str, ...]
    track: Track | None
    ends: Ends
    wasted: tuple[float, float] | None

    @property
    def weeks(self) -> tuple[WeekCell, ...]:
        return self.lines[-1].cells if self.lines else ()

    @property
    def a_week(self) -> float:
        return self.expected / max(len(self.weeks), 1)

    @property
    def a_year(self) -> float:
        return self.a_week * DAYS_A_YEAR / 7.0

    @property
    def wasted_low(self) -> float:
        return 100.0 * self.wasted[0] if self.wasted else 0.0

    @property
    def wasted_high(self) -> float:
        return 100.0 * self.wasted[1] if self.wasted else 100.0

    @property
    def wasted_in_100(self) -> float:
        return 100.0 * self.ends.discarded / max(self.ends.came, 1)


def foreseen(site: Site, now: datetime) -> Foreseen:
    """Return the newest stored demand of a site and what belongs beside it; three queries."""
    row = DemandForecast.objects.filter(site=site).order_by("-as_of").first()
    back = DemandLookBack.objects.filter(site=site).order_by("-as_of", "-pk").first()
    since = now - timedelta(days=QUARTER_DAYS)
    ends = count_ends(
        SuppliedUnit.objects.filter(order__site=site, arrived_at__gte=since).values_list("state", flat=True)
    )
    ended = ends.came - ends.here
    rows: Sequence[dict[str, Any]] = row.rows if row is not None else ()
    of_all = [week for week in rows if week["group"] == ALL]
    return Foreseen(
        as_of=row.as_of if row is not None else None,
        is_old=row is not None and row.as_of < now.date(),
        lines=_lines(rows),
        expected=sum(week["expected"] for week in of_all),
        searched_a_week=sum(week["searched"]["expected"] for week in of_all) / max(len(of_all), 1),
        left_out=tuple(row.left_out) if row is not None else (),
        track=_track(back) if back is not None else None,
        ends=ends,
        wasted=exact_interval(ends.discarded, ended) if ended else None,
    )


def _lines(rows: Sequence[dict[str, Any]]) -> tuple[GroupLine, ...]:
    cells: dict[str, list[WeekCell]] = {}
    for week in rows:
        monday = date.fromisoformat(week["week_start"])
        cell = WeekCell(monday, week["p10"], week["p50"], week["p90"], week["booked"])
        cells.setdefault(week["group"], []).append(cell)
    return tuple(GroupLine(None if name == ALL else name, tuple(line)) for name, line in cells.items())


def _track(back: DemandLookBack) -> Track:
    by_ahead: dict[int, list[bool]] = {}
    for week in back.rows:
        middle, low, high = week["p50"], week["p10"], week["p90"]
        wide_low, wide_high = middle - back.stretch * (middle - low), middle + back.stretch * (high - middle)
        by_ahead.setdefault(week["ahead"], []).append(wide_low <= week["used"] <= wide_high)
    ahead = tuple((weeks, sum(held), len(held)) for weeks, held in sorted(by_ahead.items()))
    since = min(date.fromisoformat(week["as_of"]) for week in back.rows)
    return Track(back.held_later, back.weeks_later, back.stretch, since, ahead)
