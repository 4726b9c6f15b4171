"""Ways of forecasting that a back-test compares: drift forms, and the published baseline of a personal mean rate."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from .columns import COLUMN_NAMES, Bools, Floats, Ints, SessionColumns
from .drift.fit import fit_programme
from .drift.person import update_people
from .drift.predict import predict
from .predictive import Predictive, Shape

OWN_MEAN = "own_mean"
_NORMAL = Shape.student(1e6)
_LEAST_SPREAD_PCT = 1.0


class Forecaster(Protocol):
    """Something that has learnt from a programme and forecasts single gaps."""

    def forecast(self, columns: SessionColumns, rows: Ints, days: Floats) -> Predictive:
        """The measured HbS `days` after the session before each of `rows`, from what lies before each row."""
        ...


class Learner(Protocol):
    """How a forecaster comes about: from the sessions known on some day."""

    def __call__(self, known: SessionColumns) -> Forecaster: ...


@dataclass(frozen=True, slots=True)
class DriftForm:
    """One candidate form of the drift model, fitted to the programme as known."""

    form: str

    def __call__(self, known: SessionColumns) -> Forecaster:
        fit = fit_programme(known, form=self.form)

        class Fitted:
            def forecast(self, columns: SessionColumns, rows: Ints, days: Floats) -> Predictive:
                return predict(fit, update_people(fit, histories(columns, rows)), days=days)

        return Fitted()


class OwnMeanRate:
    """Each person's mean rate of rise so far, carried forward in a straight line.

    Source: the mean daily rate of rise of a person predicted the next value before a session with R² 0.65 in 660
    sessions of 24 people (Transfusion 2024;64:685-92). For people without a rate yet the programme's mean is taken, for
    a missing after-value their own mean one. The spread is that of the errors it made so far, normal, one for all:
    the publication gives none.
    """

    def __call__(self, known: SessionColumns) -> Forecaster:
        usual = _usual(known)
        after, rate = own_means(known, usual)
        rows = gap_rows(known)
        error = known.hbs_before_pct[rows] - (after[rows] + rate[rows] * gap_days(known)[rows])
        error = error[np.isfinite(error)]
        spread = max(float(np.sqrt(np.mean(error**2))), _LEAST_SPREAD_PCT) if len(error) else 6.0

        class Fitted:
            def forecast(self, columns: SessionColumns, rows: Ints, days: Floats) -> Predictive:
                after, rate = own_means(columns, usual)
                loc = after[rows] + rate[rows] * days
                return Predictive(loc, np.full(loc.shape, spread), _NORMAL)

        return Fitted()


def gap_days(columns: SessionColumns) -> Floats:
    """Length of the gap that ends at each row, [n], days; nan at a person's first row."""
    days = np.full(len(columns), np.nan)
    same = np.flatnonzero(np.diff(columns.person) == 0) + 1
    days[same] = columns.day[same] - columns.day[same - 1]
    return days


def gap_rows(columns: SessionColumns) -> Ints:
    """Rows that end a gap in which nothing was transfused, as far as is known."""
    return np.flatnonzero(np.isfinite(gap_days(columns)) & columns.gap_known & ~(columns.topup_hb_g > 0.0))


def histories(columns: SessionColumns, rows: Ints, *, with_row: bool = False) -> SessionColumns:
    """One person for each of `rows`, with only the sessions of that row's person before it, [len(rows)] people.

    with_row: the session of the row itself too, so that each stands as on the evening of that day.
    """
    starts = columns.starts()[columns.person[rows]]
    lengths = rows - starts + int(with_row)
    person = np.repeat(np.arange(len(rows)), lengths)
    within = np.arange(len(person)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    chosen = np.repeat(starts, lengths) + within
    arrays = {name: getattr(columns, name)[chosen] for name in COLUMN_NAMES}
    return SessionColumns(**(arrays | {"person": person}), n_people=len(rows))


def gaps_told_before(columns: SessionColumns) -> Ints:
    """How many gaps of the same person, ended before each row, say something about the pace, [n]."""
    tells = np.zeros(len(columns), dtype=bool)
    tells[gap_rows(columns)] = True
    tells &= np.isfinite(columns.hbs_before_pct)
    return _sum_before(columns, tells.astype(float), np.ones(len(tells), dtype=bool)).astype(np.int64)


def _usual(columns: SessionColumns) -> tuple[float, float]:
    """Mean after-value [%] and mean rate [points/day] of the programme."""
    rate = _rates(columns)
    after = columns.hbs_after_pct
    return (
        float(np.nanmean(after)) if np.isfinite(after).any() else 18.0,
        float(np.nanmean(rate)) if np.isfinite(rate).any() else 0.45,
    )


def own_means(columns: SessionColumns, usual: tuple[float, float]) -> tuple[Floats, Floats]:
    """For each row: HbS after the session before it [%] and the person's mean rate before it [points/day]."""
    rate = _rates(columns)
    mean_rate = _mean_before(columns, rate, usual[1])
    mean_after = _mean_before(columns, columns.hbs_after_pct, usual[0])
    previous = np.r_[np.nan, columns.hbs_after_pct[:-1]] if len(columns) else columns.hbs_after_pct
    return np.where(np.isnan(previous), mean_after, previous), mean_rate


def _rates(columns: SessionColumns) -> Floats:
    """Measured climb a day over the gap that ends at each row, [n]; nan where it cannot be said."""
    rate = np.full(len(columns), np.nan)
    rows = gap_rows(columns)
    rate[rows] = (columns.hbs_before_pct[rows] - columns.hbs_after_pct[rows - 1]) / gap_days(columns)[rows]
    return rate


def _mean_before(columns: SessionColumns, values: Floats, otherwise: float) -> Floats:
    known = np.isfinite(values)
    n = _sum_before(columns, known.astype(float), known)
    total = _sum_before(columns, np.where(known, values, 0.0), known)
    return np.where(n > 0, total / np.maximum(n, 1.0), otherwise)


def _sum_before(columns: SessionColumns, values: Floats, known: Bools) -> Floats:
    """Sum over the same person's earlier rows, [n]."""
    own = np.where(known, values, 0.0)
    return np.asarray(columns.so_far(own) - own)
