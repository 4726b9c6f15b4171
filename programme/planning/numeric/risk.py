"""The chance of being over the ceiling: by day from the last session, and by interval and end from sessions to come."""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from sessions.numeric.attendance import Attendance
from sessions.numeric.predictive import Predictive

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LOWEST_END_PCT = 1.0
END_NODES = 10
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)  # of a gap, for the days over in it
_LEAST_CHANCE = 1e-9


class Outlook(Protocol):
    """Forecasts of people, who lie on the first axis of every argument and of the answer.

    Without after_pct the gap is the one that is running, from the last session; with it, one to come.
    """

    def __call__(self, *, days: Any, after_pct: Any = None, after_sd_pct: Any = None) -> Predictive: ...


@dataclass(frozen=True, slots=True)
class DayRisk:
    """Chance by day of the running gap, [P, H]; column h is h + 1 days after the last session."""

    on_the_day: Floats
    attended: Floats  # allowing for those who come late


def risk_by_day(outlook: Outlook, ceiling_pct: Floats, attendance: Attendance, horizon_days: int) -> DayRisk:
    """Chance that the measured value before a session is over `ceiling_pct` [P], for days 1 to the horizon."""
    most = max(attendance.delays)
    days = np.arange(1.0, horizon_days + most + 1.0)[None, :]
    plain = np.nan_to_num(outlook(days=days).chance_over(ceiling_pct[:, None]), nan=1.0)
    late = np.stack([plain[:, d : d + horizon_days] for d in attendance.delays])
    on_the_day = plain[:, :horizon_days]
    return DayRisk(on_the_day, attendance.mixed(on_the_day, late))


def safe_days(chance: Floats, accepted: Floats) -> Ints:
    """Days up to the one before the first at which the chance passes the accepted one, [P]; 0 where that is day 1."""
    over = chance > accepted[:, None]
    return np.asarray(np.where(over.any(axis=1), over.argmax(axis=1), chance.shape[1]), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Visit:
    """Forecasts of a visit to come: on its day, and for each of the delays of those who come late."""

    on_time: Predictive
    late: tuple[Predictive, ...]
    attendance: Attendance

    def chance_over(self, ceiling_pct: Floats) -> Floats:
        """Chance of being over at the visit, attendance allowed for; 1 where nothing can be said."""
        on_time, *late = (np.nan_to_num(seen.chance_over(ceiling_pct), nan=1.0) for seen in (self.on_time, *self.late))
        return self.attendance.mixed(on_time, np.stack(late))


def visit_after(outlook: Outlook, days: Floats, end_pct: Floats, end_sd_pct: Floats, attendance: Attendance) -> Visit:
    """The visit `days` after a session that ends at `end_pct`, mixed over the end's spread; all [P, ...] alike."""

    def seen(delay: int) -> Predictive:
        return outlook(days=days + delay, after_pct=end_pct, after_sd_pct=end_sd_pct)

    on_time = seen(0)
    return Visit(on_time, tuple(seen(delay) if delay else on_time for delay in attendance.delays), attendance)


def chance_after(
    outlook: Outlook, days: Floats, end_pct: Floats, end_sd_pct: Floats, ceiling_pct: Floats, attendance: Attendance
) -> Floats:
    """Chance of being over at the visit of `visit_after`, all [P, ...] alike."""
    return visit_after(outlook, days, end_pct, end_sd_pct, attendance).chance_over(ceiling_pct)


def days_over(
    outlook: Outlook, days: Floats, end_pct: Floats, end_sd_pct: Floats, ceiling_pct: Floats, attendance: Attendance
) -> Floats:
    """Expected days of a gap on which a sample would be over the ceiling, up to the visit really attended, [P, K].

    days, end_pct, end_sd_pct : interval and end, [P, K]; ceiling_pct : [P]. The chance over the days of the gap is
    integrated by Gauss and Legendre (six nodes), and for those who come late over the days they are late too.
    """

    def between(first: Floats, last: Floats) -> Floats:
        width = (last - first)[..., None]
        at = first[..., None] + width * 0.5 * (_NODES + 1.0)
        end, sd = (np.broadcast_to(value[..., None], at.shape) for value in (end_pct, end_sd_pct))
        seen = outlook(days=at, after_pct=end, after_sd_pct=sd)
        chance = np.nan_to_num(seen.chance_over(ceiling_pct[:, None, None]), nan=1.0)
        return np.asarray((chance * _WEIGHTS).sum(axis=-1) * 0.5 * width[..., 0])

    on_time = between(np.zeros_like(days), days)
    late = np.stack([on_time + between(days, days + delay) for delay in attendance.delays])
    return attendance.mixed(on_time, late)


def highest_end(
    outlook: Outlook,
    days: Floats,
    end_sd_pct: Floats,
    ceiling_pct: Floats,
    accepted: Floats,
    attendance: Attendance,
) -> Floats:
    """The highest end, [P], from which the chance `days` later stays within `accepted`, down to 0.1 point; nan if none.

    In four rounds of eight parts between LOWEST_END_PCT and the ceiling: the chance rises with the end.
    """
    low, width = np.full(len(days), LOWEST_END_PCT), ceiling_pct - LOWEST_END_PCT
    possible = chance_after(outlook, days, low, end_sd_pct, ceiling_pct, attendance) <= accepted
    steps = np.arange(1.0, 8.0)
    shape = (len(days), len(steps))
    for _ in range(4):
        width = width / 8.0
        tried = low[:, None] + width[:, None] * steps
        days_of, sd_of, ceiling_of = (np.broadcast_to(x[:, None], shape) for x in (days, end_sd_pct, ceiling_pct))
        fits = chance_after(outlook, days_of, tried, sd_of, ceiling_of, attendance) <= accepted[:, None]
        low = low + width * np.logical_and.accumulate(fits, axis=1).sum(axis=1)
    return np.where(possible, np.maximum(np.floor(low * 10.0) / 10.0, LOWEST_END_PCT), np.nan)


def lowest_ceiling(
    outlook: Outlook, days: Floats, end_pct: Floats, end_sd_pct: Floats, accepted: Floats, attendance: Attendance
) -> Floats:
    """The lowest ceiling, in whole %, over which a visit `days` after this end stays within `accepted`, all [P].

    By halving between 1 and 100 %: the chance falls as the ceiling rises.
    """
    visit = visit_after(outlook, days, end_pct, end_sd_pct, attendance)
    low, high = np.full(len(days), 1.0), np.full(len(days), 100.0)
    for _ in range(10):
        middle = 0.5 * (low + high)
        fits = visit.chance_over(middle) <= accepted
        low, high = np.where(fits, low, middle), np.where(fits, middle, high)
    return np.asarray(np.ceil(high))


@dataclass(frozen=True, slots=True)
class RiskTable:
    """Chance and median before by interval and end, read off between nodes of the end."""

    days: Floats  # [D]
    top_pct: Floats  # [P], highest end; the lowest is LOWEST_END_PCT
    probit: Floats  # [P, D, END_NODES], of the chance with attendance allowed for
    median: Floats  # [P, D, END_NODES], before at the day itself

    def chance(self, end_pct: Floats) -> Floats:
        """Chance at ends [P, D, N]."""
        return np.asarray(ndtr(self._read(self.probit, end_pct)))

    def before(self, end_pct: Floats) -> Floats:
        """Median before at ends [P, D, N]."""
        return self._read(self.median, end_pct)

    def _read(self, values: Floats, end_pct: Floats) -> Floats:
        step = (self.top_pct - LOWEST_END_PCT)[:, None, None] / (END_NODES - 1)
        place = (end_pct - LOWEST_END_PCT) / step
        node = np.clip(np.nan_to_num(place), 0.0, END_NODES - 2.0).astype(np.int64)
        first = np.arange(0, values.size, END_NODES).reshape(*values.shape[:2], 1)
        low, high = (values.ravel().take(first + node + other) for other in (0, 1))
        return np.asarray(low + (high - low) * (place - node))


def risk_table(
    outlook: Outlook, days: Floats, ceiling_pct: Floats, end_rel_sd: Floats, end_sd_pct: float, attendance: Attendance
) -> RiskTable:
    """The table for intervals [D]; `end_rel_sd` [P] of the session and `end_sd_pct` points are the end's spread.

    days : one after the other, whole, so that who comes late is found among them or the days that follow.
    """
    most = max(attendance.delays)
    top = 0.98 * ceiling_pct
    share = np.linspace(0.0, 1.0, END_NODES)
    ends = (LOWEST_END_PCT + (top - LOWEST_END_PCT)[:, None] * share)[:, None, :]
    sd = np.hypot(end_rel_sd[:, None, None] * ends, end_sd_pct)
    further = np.concatenate([days, days[-1] + np.arange(1.0, most + 1.0)])
    every = np.broadcast_to(further[:, None], (len(top), len(further), 1))
    seen = outlook(days=every, after_pct=ends, after_sd_pct=sd)
    plain = np.nan_to_num(seen.chance_over(ceiling_pct[:, None, None]), nan=1.0)
    late = np.stack([plain[:, d : d + len(days)] for d in attendance.delays])
    chance = np.clip(attendance.mixed(plain[:, : len(days)], late), _LEAST_CHANCE, 1 - _LEAST_CHANCE)
    return RiskTable(days, top, np.asarray(ndtri(chance)), seen.median()[:, : len(days)])
