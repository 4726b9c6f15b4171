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
UNSEEN = (8301, 8302, 8303)  # no choice of the model was made on these programmes
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


class Pooled:
    """Back-tests of several made-up programmes taken together, every forecast counting once."""

    def __init__(self, runs: list[BacktestResult]) -> None:
        self.runs = runs

    def mean(self, name: str, figure: str, kind: str = "attended") -> tuple[float, int]:
        """Mean of a figure of `Score` over all forecasts of one kind or group, and how many there were."""
        results = [run.results[name] for run in self.runs]
        scores = [getattr(r, kind) if kind in ("attended", "longer", "routine") else r.groups[kind] for r in results]
        n = sum(score.n for score in scores)
        return sum(getattr(score, figure) * score.n for score in scores if score.n) / n, n

    def closed(self) -> float:
        own, ours, oracle = (self.mean(name, "crps")[0] for name in (OWN_MEAN, FORM_BEFORE_CHOICE, ORACLE))
        return (own - ours) / (own - oracle)


def within(least: float, counted: tuple[float, int], most: float) -> bool:
    """Whether a share counted in n forecasts may come from a true one inside the aim, `least` to `most`.

    The aims speak of the true share. A count of n misses it by √(p(1 − p)/n), so where the truth is an edge of the aim,
    two such errors are passed on that side in 2.3 of 100 counts. That is all the allowance there is. (Forecasts of one
    person hang together so little that the error clustered by person is 1.0 to 1.2 times this one.)
    """
    share, n = counted
    low, high = (2.0 * math.sqrt(edge * (1.0 - edge) / n) for edge in (least, most))
    return least - low <= share <= most + high


@pytest.mark.soak
@pytest.mark.parametrize("world", sorted(CLOSED))
def test_thousands_of_forecasts_in_every_world(world):
    """Requirements: 77 to 83 of 100 in the middle 80 %, 8 to 12 above p90, 6 to 14 in groups, bias at most 1 point.

    Groups are those by length of gap and of people with up to 3 gaps. In the first gaps after a change of pace the aim
    is missed in every world, for the change has not been seen yet.
    """
    runs = [
        run_made_up_backtest(world, n_people=240, n_origins=4, n_draws=40, seed=seed, forms=(FORM_BEFORE_CHOICE,))
        for seed in UNSEEN
    ]
    pooled, ours = Pooled(runs), FORM_BEFORE_CHOICE
    assert pooled.mean(ours, "crps")[1] >= 3000 * len(UNSEEN)
    assert pooled.closed() > CLOSED[world]
    for group in ("gaps_1_3", "gaps_4_9", "gaps_10_up"):
        assert pooled.mean(ours, "crps", group)[0] < pooled.mean(OWN_MEAN, "crps", group)[0]
    assert within(0.77, pooled.mean(ours, "inside_80"), 0.83)
    assert within(0.08, pooled.mean(ours, "above_p90"), 0.12)
    for group in ("days_to_21", "days_22_35", "days_over_35", "gaps_1_3"):
        assert within(0.06, pooled.mean(ours, "above_p90", group), 0.14), group
    assert abs(pooled.mean(ours, "bias", "longer")[0]) <= 1.0
    assert abs(pooled.mean(ours, "bias", "routine")[0]) <= 1.0
