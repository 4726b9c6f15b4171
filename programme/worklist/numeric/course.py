"""What is drawn and said of one person's course, as plain values. Days are ordinals (`date.toordinal`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

AHEAD_DAYS = 70  # what the full picture shows of the time to come
FAN_AFTER_SAFE_DAYS = 12  # chosen here: enough to see the ceiling crossed


@dataclass(frozen=True, slots=True)
class Visit:
    """One exchange session as the pictures need it; None where nothing is known.

    day: ordinal. after_reckoned: `after_pct` comes from the session's own volumes, not from a sample.
    """

    day: int
    before_pct: float | None = None
    after_pct: float | None = None
    after_reckoned: bool = False
    hb_before_g_l: float | None = None
    hb_after_g_l: float | None = None
    units: int | None = None
    missed: bool = False  # came late, after a visit that was missed


def visit_of(day: int, before_pct: float | None, after_pct: float | None, ratio: float | None) -> Visit:
    """Return a session for the pictures; a missing after-value is reckoned from the session's own HbS ratio."""
    if after_pct is None and before_pct is not None and ratio is not None:
        return Visit(day, before_pct, before_pct * ratio, after_reckoned=True)
    return Visit(day, before_pct, after_pct)


def gap_pace(last: Visit, visit: Visit) -> float | None:
    """Return the climb from after one session to before the next, in points a day; None where an end is not known."""
    if last.after_pct is None or visit.before_pct is None or visit.day <= last.day:
        return None
    return (visit.before_pct - last.after_pct) / (visit.day - last.day)


@dataclass(frozen=True, slots=True)
class Forecast:
    """A stored forecast from the session on day `start` (ordinal); `days` count from it, the shares are in %."""

    start: int
    days: tuple[float, ...]
    p10: tuple[float, ...]
    p25: tuple[float, ...]
    p50: tuple[float, ...]
    p75: tuple[float, ...]
    p90: tuple[float, ...]
    hb_p50: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Later:
    """Sessions to come, the suggested one first. days: ordinals; before, after: (p10, p25, p50, p75, p90) in %."""

    days: tuple[int, ...]
    before: tuple[tuple[float, ...], ...]
    after: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Course:
    """What is drawn of one person. ceilings: (ordinal from which it holds, %), oldest first, at least one.

    window: first and last suggested day, ordinals. measured: (ordinal, %) of a result since the last session.
    booked: ordinals of the days on which they have a place.
    """

    today: int
    ceilings: tuple[tuple[int, float], ...]
    visits: tuple[Visit, ...]
    forecast: Forecast | None = None
    window: tuple[int, int] | None = None
    measured: tuple[int, float] | None = None
    booked: tuple[int, ...] = ()

    @property
    def ceiling_pct(self) -> float:
        return self.ceilings[-1][1]


@dataclass(frozen=True, slots=True)
class Details:
    """What only the full picture shows.

    notes: (ordinal, sentence), oldest first, lettered in the picture. planned: (ordinal, end in %) of the suggested
    next session. pace_change: (ordinal, pace before, pace now) in points a day. hb_since: (ordinal, g/L) measured since
    the last session. locked: the haemolysis lock holds, so nothing is drawn after today.
    later: simulated sessions from the suggested one on.
    """

    hb_ceiling_g_l: float
    notes: tuple[tuple[int, str], ...] = ()
    planned: tuple[int, float] | None = None
    pace_change: tuple[int, float, float] | None = None
    hb_since: tuple[tuple[int, float], ...] = ()
    locked: bool = False
    later: Later | None = None


def fan_end(course: Course) -> int:
    """Return the ordinal day to which the fan is drawn: the last safe day and 12 more, and never before today."""
    last = course.today if course.window is None else course.window[1]
    return max(last + FAN_AFTER_SAFE_DAYS, course.today)


def ceiling_on(ceilings: Sequence[tuple[int, float]], day: int) -> float:
    """Return the ceiling in force on an ordinal day; before the first decision, the first."""
    begun = [pct for since, pct in ceilings if since <= day]
    return begun[-1] if begun else ceilings[0][1]
