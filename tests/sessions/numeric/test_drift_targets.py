"""How good the forecasts are in made-up worlds, rolled forward from day to day.

The worlds have none of the candidate forms in them. The aim of the programme is to close 60 of 100 parts of the way in
CRPS from the published baseline to an oracle that knows the true state and pace. What is asserted here is what
is reached, world by world, with a margin for chance; figures marked so are regression only.
"""

import math

import numpy as np
import pytest
import statsmodels.api as sm

from sessions.numeric.backtest import ORACLE, BacktestResult, run_made_up_backtest
from sessions.numeric.columns import SessionColumns
from sessions.numeric.drift.fit import FORM_BEFORE_CHOICE
from sessions.numeric.forecasters import OWN_MEAN, gap_days, gap_rows
from sessions.numeric.predictive import SCORES, Predictive, Shape

MIXED = "mixed_model"
# Regression only: least share of the way from own mean to the oracle.
CLOSED = {"daybyday": 0.52, "feedback": 0.58, "restless": 0.42, "selective": 0.60}


class MixedModel:
    """Random slopes by statsmodels MixedLM on the same rows: rise on days, no intercept, normal spread."""

    def __call__(self, known: SessionColumns) -> "MixedModel":
        rows, days, climbed = self._gaps(known)
        scaled = days[:, None] / 30.0
        fitted = sm.MixedLM(climbed, scaled, groups=known.person[rows], exog_re=scaled).fit(reml=False)
        assert fitted.converged
        self.mean, self.var = fitted.fe_params[0] / 30.0, float(fitted.cov_re[0, 0]) / 900.0
        self.noise = fitted.scale
        return self

    def forecast(self, columns: SessionColumns, rows: np.ndarray, days: np.ndarray) -> Predictive:
        ends, lengths, climbed = self._gaps(columns)
        loc, scale = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
        for i, row in enumerate(rows):
            own = (columns.person[ends] == columns.person[row]) & (ends < row)
            weight = (lengths[own] ** 2).sum() + self.noise / self.var
            slope = self.mean + (lengths[own] * (climbed[own] - self.mean * lengths[own])).sum() / weight
            loc[i] = columns.hbs_after_pct[row - 1] + slope * days[i]
            scale[i] = np.sqrt(self.noise * (1.0 + days[i] ** 2 / weight))
        return Predictive(loc, scale, Shape(SCORES))

    @staticmethod
    def _gaps(columns: SessionColumns) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        rows, days = gap_rows(columns), gap_days(columns)
        climbed = columns.hbs_before_pct[rows] - columns.hbs_after_pct[rows - 1]
        some = np.isfinite(climbed)
        return rows[some], days[rows[some]], climbed[some]


def closed(result: BacktestResult, group: str | None = None) -> float:
    """Share of the way in CRPS from the own-mean baseline to the oracle."""
    names = (OWN_MEAN, FORM_BEFORE_CHOICE, ORACLE)
    own, ours, oracle = (
        (result.results[name].attended if group is None else result.results[name].groups[group]).crps for name in names
    )
    return (own - ours) / (own - oracle)


def test_a_small_made_up_programme_is_forecast_better_than_by_own_mean_or_mixed_model():
    result = run_made_up_backtest(
        "selective", n_people=70, years=2.5, n_origins=2, n_draws=50, forms=(FORM_BEFORE_CHOICE,),
        others={MIXED: MixedModel()},
    )  # fmt: skip
    ours = result.results[FORM_BEFORE_CHOICE]
    assert result.n_forecasts > 500
    assert ours.attended.crps < result.results[OWN_MEAN].attended.crps
    assert ours.attended.crps < result.results[MIXED].attended.crps
    assert closed(result) > 0.4
    assert 0.74 < ours.attended.inside_80 < 0.86
    assert 0.06 < ours.attended.above_p90 < 0.14
    assert abs(ours.routine.bias) < 1.0


def within(least: float, share: float, most: float, n: int) -> bool:
    """Whether a share of n forecasts is between the bounds, give or take two standard errors of such a count."""
    error = 2.0 * math.sqrt(share * (1.0 - share) / n)
    return least - error <= share <= most + error


@pytest.mark.soak
@pytest.mark.parametrize("world", sorted(CLOSED))
def test_thousands_of_forecasts_in_every_world(world):
    result = run_made_up_backtest(world, n_people=240, n_origins=4, forms=(FORM_BEFORE_CHOICE,))
    ours = result.results[FORM_BEFORE_CHOICE]
    assert result.n_forecasts >= 3000
    assert closed(result) > CLOSED[world]
    for group in ("gaps_1_3", "gaps_4_9", "gaps_10_up"):
        assert ours.groups[group].crps < result.results[OWN_MEAN].groups[group].crps
    assert within(0.77, ours.attended.inside_80, 0.83, ours.attended.n)
    assert 0.08 <= ours.attended.above_p90 <= 0.125
    for group in ("days_to_21", "days_22_35", "days_over_35", "gaps_1_3"):
        assert within(0.06, ours.groups[group].above_p90, 0.14, ours.groups[group].n)
    assert abs(ours.longer.bias) <= 1.0
    assert abs(ours.routine.bias) <= 1.0
