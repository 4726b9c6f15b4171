"""The further sessions that a plan foresaw on the open days after it, where it could not reach its end target alone."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

SLIPS_DAYS = 7  # a further session may come so much later than it was foreseen; chosen here


@dataclass(frozen=True, slots=True)
class ForeseenDay:
    """One session of a series as foreseen; a figure that was not stored is None."""

    on: date
    units: int | None
    hb_before_g_l: float | None
    hbs_before_pct: float | None
    hb_after_g_l: float | None
    hbs_after_pct: float | None


@dataclass(frozen=True, slots=True)
class Foreseen:
    """A series of at least two sessions on consecutive open days, the first with the plan that foresaw it."""

    end_target_pct: float | None
    days: tuple[ForeseenDay, ...]

    @property
    def first_on(self) -> date:
        return self.days[0].on

    @property
    def further(self) -> tuple[ForeseenDay, ...]:
        return self.days[1:]

    @property
    def next_on(self) -> date:
        """The day foreseen for the second."""
        return self.days[1].on

    @property
    def last_on(self) -> date:
        """The last day on which a further session would still be one of this series."""
        return self.days[-1].on + timedelta(days=SLIPS_DAYS)

    def is_open(self, today: date) -> bool:
        return today <= self.last_on

    def has_come_to_target(self, after_pct: float | None, *, within_pct: float) -> bool:
        """Whether HbS after the first, as printed, lies less than so much over the end target."""
        target = self.end_target_pct
        return after_pct is not None and target is not None and round(after_pct - target, 1) < within_pct

    def session_of(self, on: date, others: Iterable[date], *, begins: date | None = None) -> ForeseenDay | None:
        """The session of the series that one on a day is, which may come a little later than foreseen; None if none.

        others: days of the person's other sessions and bookings. begins: when the first really is, if not as foreseen.
        """
        first = begins or self.first_on
        place = sum(first <= other < on for other in {first, *others})
        if not 0 < place < len(self.days):
            return None
        moved = first - self.first_on
        return self.days[place] if on <= self.days[place].on + moved + timedelta(days=SLIPS_DAYS) else None


def series_foreseen(rows: Iterable[Mapping[str, Any]] | None, end_target_pct: float | None) -> Foreseen | None:
    """Return a stored series, of a plan or a suggestion; None where one session does it."""
    days = tuple(
        ForeseenDay(
            on=date.fromisoformat(row["date"]),
            units=row.get("units"),
            hb_before_g_l=row.get("hb_before_g_l"),
            hbs_before_pct=row.get("hbs_before_pct"),
            hb_after_g_l=row.get("hb_after_g_l"),
            hbs_after_pct=row.get("hbs_after_pct"),
        )
        for row in rows or ()
    )
    return Foreseen(end_target_pct, days) if len(days) > 1 else None


def against_foreseen(
    seen: ForeseenDay, now: ForeseenDay, *, first_on: date, targets_pct: tuple[float | None, float | None]
) -> str:
    """Return in words how a plan parts from what the plan of an earlier day foresaw for it; figures as printed.

    first_on: that earlier day. targets_pct: the end target of the series, and that of the plan now.
    """
    rows: list[tuple[str, float | None, float | None, int, str]] = [
        ("Hb before", now.hb_before_g_l, seen.hb_before_g_l, 0, "g/L"),
        ("HbS before", now.hbs_before_pct, seen.hbs_before_pct, 1, "%"),
        ("units", now.units, seen.units, 0, ""),
        ("HbS after", now.hbs_after_pct, seen.hbs_after_pct, 1, "%"),
        ("Hb after, settled", now.hb_after_g_l, seen.hb_after_g_l, 0, "g/L"),
        ("end target", targets_pct[1], targets_pct[0], 1, "%"),
    ]
    said = [
        f"{name} {new:.{places}f} instead of {old:.{places}f} {unit}".rstrip()
        for name, new, old, places, unit in rows
        if new is not None and old is not None and f"{new:.{places}f}" != f"{old:.{places}f}"
    ]
    plan = f"the plan of {first_on:%a} {first_on.day} {first_on:%b}"
    if not said:
        return f"As {plan} foresaw this further session."
    return f"Against what {plan} foresaw for this further session: {'; '.join(said)}."
