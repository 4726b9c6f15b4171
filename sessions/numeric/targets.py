"""What a back-test asks of a forecast, and how the answers are grouped."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from .columns import EARLY_UNWELL, Bools, Floats, Ints, SessionColumns
from .forecasters import gap_days, gap_rows, gaps_told_before
from .mechanisms.made_up import MadeUp

Group = Callable[["Targets"], Bools]


@dataclass(frozen=True, slots=True)
class Targets:
    """What is to be forecast, arrays [n]: the value measured `days` after the session before each of `rows`."""

    rows: Ints
    days: Floats
    observed: Floats
    person: Ints
    day: Ints  # when the gap that is forecast ended, or would have
    gaps_known: Ints  # gaps of this person that told of the pace before
    since_change: Floats  # sessions since a planted change of pace; nan where none is known
    ceiling_pct: Floats  # that held when the gap ended; nan where none is known

    def where(self, chosen: Bools | Ints) -> "Targets":
        return Targets(**{name: getattr(self, name)[chosen] for name in self.__slots__})

    def __len__(self) -> int:
        return len(self.rows)


GROUPS: Mapping[str, Group] = {
    "gaps_0": lambda t: t.gaps_known == 0,
    "gaps_1_3": lambda t: (t.gaps_known >= 1) & (t.gaps_known <= 3),
    "gaps_4_9": lambda t: (t.gaps_known >= 4) & (t.gaps_known <= 9),
    "gaps_10_up": lambda t: t.gaps_known >= 10,
    "days_to_21": lambda t: t.days <= 21,
    "days_22_35": lambda t: (t.days > 21) & (t.days <= 35),
    "days_over_35": lambda t: t.days > 35,
    "after_change": lambda t: (t.since_change >= 0) & (t.since_change < 3),
}


def scored_rows(columns: SessionColumns) -> Ints:
    """Gaps that can be judged: nothing transfused in them, measured at the end, not ended early for being unwell."""
    rows = gap_rows(columns)
    judged = np.isfinite(columns.hbs_before_pct[rows]) & (columns.reason[rows] != EARLY_UNWELL)
    return np.asarray(rows[judged], dtype=np.int64)


def targets_at(
    columns: SessionColumns,
    rows: Ints,
    days: Floats,
    observed: Floats,
    *,
    since_change: Floats | None = None,
    ceiling_pct: Floats | None = None,
) -> Targets:
    """The gaps that end at `rows`, to be forecast for `days` and judged by `observed`, each [len(rows)].

    since_change, ceiling_pct: of these rows; None where not known.
    """
    unknown = np.full(len(rows), np.nan)
    return Targets(
        rows=rows,
        days=np.asarray(days, float),
        observed=observed,
        person=columns.person[rows],
        day=columns.day[rows],
        gaps_known=gaps_told_before(columns)[rows],
        since_change=unknown if since_change is None else since_change,
        ceiling_pct=unknown if ceiling_pct is None else ceiling_pct,
    )


def origins(columns: SessionColumns, n: int) -> Ints:
    """Days by which 40 % of the sessions, and then even shares of the rest, were done."""
    if not len(columns):
        return np.zeros(n, dtype=np.int64)
    shares = 0.4 + 0.6 * np.arange(n) / n
    return np.asarray(np.quantile(columns.day, shares, method="lower")).astype(np.int64)


def usual_days(columns: SessionColumns) -> Floats:
    """Median gap of each person, [n_people], nan without a gap."""
    days = gap_days(columns)
    rows = np.flatnonzero(np.isfinite(days))
    order = rows[np.lexsort((days[rows], columns.person[rows]))]
    counts = np.bincount(columns.person[rows], minlength=columns.n_people)
    first = np.cumsum(counts) - counts
    usual = np.full(columns.n_people, np.nan)
    some = counts > 0
    usual[some] = days[order][first[some] + (counts[some] - 1) // 2]
    return usual


def sessions_since_change(made: MadeUp) -> Floats:
    """How many sessions ago, before the gap that ends at each row, the planted change came, [n]; nan before it."""
    columns, change = made.columns, made.truth.change_day[made.columns.person]
    started = np.r_[np.inf, columns.day[:-1].astype(float)]
    changed_before = started >= change
    starts = columns.starts()[columns.person]
    running = np.concatenate([[0], np.cumsum(changed_before)])
    since = running[np.arange(len(columns)) + 1] - running[starts] - 1.0
    return np.where(changed_before & (columns.sequence() > 0), since, np.nan)
