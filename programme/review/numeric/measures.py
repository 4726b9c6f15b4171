"""The measures of the programme over a span of days, person by person, from flat columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
SHORTEST_YEARS = 90 / 365.25
END_WITHIN_POINTS = 2.0
BALANCE_WITHIN_ML_KG = 2.0


@dataclass(frozen=True, slots=True)
class Columns:
    """Sessions of everybody [n], sorted by person then day, and people [P]; nan where not known.

    person: place 0 to P−1. day: ordinal. ceiling_pct, planned_days, end_target_pct: as decided on that day;
    planned_days is counted from this session to the next. after_pct: measured, else reckoned; after_measured_pct:
    measured only. last_day: the day of leaving, or one far away.
    """

    person: Ints
    day: Ints
    before_pct: Floats
    after_pct: Floats
    after_measured_pct: Floats
    ceiling_pct: Floats
    planned_days: Floats
    end_target_pct: Floats
    units: Floats
    balance_ml_kg: Floats
    net_iron_mg_kg: Floats
    points_per_unit: Floats
    last_day: Ints

    @property
    def n_people(self) -> int:
        return len(self.last_day)


@dataclass(frozen=True, slots=True)
class Count:
    """One measure, a person each [P]: numerator, denominator, and how many things were missing."""

    numerator: Floats
    denominator: Floats
    lacking: Floats

    @property
    def missing(self) -> int:
        return int(self.lacking.sum())

    def of(self, members: npt.NDArray[np.bool_]) -> Count:
        """The same count of some of the people [P]."""
        return Count(self.numerator[members], self.denominator[members], self.lacking[members])


def count_all(columns: Columns, start: int, end: int, *, grace_days: float) -> dict[str, Count]:
    """Return every measure by its name for the days start to end, both included (ordinals)."""
    inside = (columns.day >= start) & (columns.day <= end) & (columns.day <= columns.last_day[columns.person])
    years = person_years(columns, start, end)
    units = _sum(columns, inside, np.nan_to_num(columns.units))
    long_enough = years >= SHORTEST_YEARS
    iron = _sum(columns, inside, np.nan_to_num(columns.net_iron_mg_kg))
    gap, planned = _gap_before(columns)
    return {
        "under_sessions": _share(columns, inside, columns.before_pct <= columns.ceiling_pct, columns.before_pct),
        "under_days": days_under(columns, start, end),
        "on_time": _share(columns, inside & (gap > 0), gap <= planned + grace_days, planned),
        "near_target": _share(
            columns,
            inside & ~np.isnan(columns.end_target_pct),
            np.abs(columns.after_measured_pct - columns.end_target_pct) <= END_WITHIN_POINTS,
            columns.after_measured_pct,
        ),
        "level": _share(columns, inside, np.abs(columns.balance_ml_kg) <= BALANCE_WITHIN_ML_KG, columns.balance_ml_kg),
        "units": Count(units, years, _how_many(columns, inside & np.isnan(columns.units))),
        "points_per_unit": _mean(columns, inside, columns.points_per_unit),
        "iron": Count(
            np.where(long_enough, iron, 0.0),
            np.where(long_enough, years, 0.0),
            _how_many(columns, inside & np.isnan(columns.net_iron_mg_kg)),
        ),
        "both_results": _share(
            columns,
            inside,
            ~np.isnan(columns.before_pct) & ~np.isnan(columns.after_measured_pct),
            np.zeros(len(columns.day)),
        ),
    }


def person_years(columns: Columns, start: int, end: int) -> Floats:
    """Return the years [P] each person was on the programme within start to end: from the first session to leaving."""
    first = np.full(columns.n_people, np.iinfo(np.int64).max)
    np.minimum.at(first, columns.person, columns.day)
    begin, stop = np.maximum(first, start), np.minimum(columns.last_day, end)
    return np.where(first <= stop, np.maximum(stop - begin + 1.0, 0.0), 0.0) / 365.25


def days_under(columns: Columns, start: int, end: int) -> Count:
    """Return days [P] on which HbS, drawn straight from after one session to before the next, was within the ceiling.

    After the last session HbS is carried on at the person's own middle rate, else the programme's, to the end of the
    span or the day of leaving: who missed visits counts. Days of a gap with an unknown end are missing. Chosen here.
    """
    n = len(columns.day)
    has_next = np.append(columns.person[1:] == columns.person[:-1], False) if n else np.zeros(0, bool)
    leaves = columns.last_day[columns.person]
    next_day = np.where(has_next, np.roll(columns.day, -1), end + 1)
    length = np.maximum(next_day - columns.day, 1).astype(float)
    rate = np.where(has_next, (np.roll(columns.before_pct, -1) - columns.after_pct) / length, np.nan)
    open_end = np.flatnonzero(~has_next)
    rate[open_end] = _usual_rates(columns, rate)[columns.person[open_end]]
    room = columns.ceiling_pct - columns.after_pct
    with np.errstate(divide="ignore", invalid="ignore"):
        until_over = np.where(rate > 0, np.maximum(room / rate, 0.0), np.where(room >= 0, np.inf, 0.0))
    begin = np.maximum(columns.day, start).astype(float)
    stop = np.minimum(np.minimum(next_day, end + 1), leaves + 1).astype(float)
    days = np.maximum(stop - begin, 0.0)
    under = np.clip(np.minimum(stop, columns.day + until_over) - begin, 0.0, days)
    known = ~np.isnan(rate) & ~np.isnan(room)
    return Count(_sum(columns, known, under), _sum(columns, known, days), _sum(columns, ~known, days))


def _usual_rates(columns: Columns, rate: Floats) -> Floats:
    """The middle rate of each person's known gaps [P], points a day; the programme's where there is none."""
    known = ~np.isnan(rate)
    everybody = float(np.median(rate[known])) if known.any() else np.nan
    usual = np.full(columns.n_people, everybody)
    people, place = columns.person[known], rate[known]
    edges = np.flatnonzero(np.diff(people)) + 1
    for who, own in zip(np.split(people, edges), np.split(place, edges), strict=True):
        if len(who):
            usual[who[0]] = np.median(own)
    return usual


def _gap_before(columns: Columns) -> tuple[Floats, Floats]:
    """Days since the person's session before (0 at the first), and the days that were planned for that gap."""
    gap, planned = np.zeros(len(columns.day)), np.full(len(columns.day), np.nan)
    same = np.flatnonzero(columns.person[1:] == columns.person[:-1]) + 1
    gap[same] = columns.day[same] - columns.day[same - 1]
    planned[same] = columns.planned_days[same - 1]
    return gap, planned


def _share(columns: Columns, chosen: npt.NDArray[np.bool_], yes: npt.NDArray[np.bool_], needed: Floats) -> Count:
    known = chosen & ~np.isnan(needed)
    return Count(*(_how_many(columns, rows) for rows in (known & yes, known, chosen & ~known)))


def _mean(columns: Columns, chosen: npt.NDArray[np.bool_], value: Floats) -> Count:
    known = chosen & ~np.isnan(value)
    return Count(_sum(columns, known, value), _how_many(columns, known), _how_many(columns, chosen & ~known))


def _how_many(columns: Columns, chosen: npt.NDArray[np.bool_]) -> Floats:
    return np.bincount(columns.person[chosen], minlength=columns.n_people).astype(np.float64)


def _sum(columns: Columns, chosen: npt.NDArray[np.bool_], value: Floats) -> Floats:
    return np.bincount(columns.person[chosen], weights=value[chosen], minlength=columns.n_people).astype(np.float64)
