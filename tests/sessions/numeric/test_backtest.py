"""The rolling comparison of forms: nothing leaks from later, the rule of change holds, the oracle stays in front."""

import json
from dataclasses import replace

import numpy as np
import pytest

from sessions.numeric.backtest import ORACLE, run_backtest, run_made_up_backtest
from sessions.numeric.columns import SessionColumns
from sessions.numeric.drift.fit import FORM_BEFORE_CHOICE
from sessions.numeric.forecasters import (
    OWN_MEAN,
    DriftForm,
    OwnMeanRate,
    gap_days,
    gaps_told_before,
    histories,
    own_means,
)
from sessions.numeric.mechanisms.made_up import WORLDS, simulate
from sessions.numeric.predictive import Predictive


class Fixed:
    """A learner for tests: the truth it is told, off by `bias`, with an honest-looking spread."""

    def __init__(self, values, bias, spread=2.0):
        self.values, self.bias, self.spread = values, bias, spread

    def __call__(self, known):
        return self

    def forecast(self, columns, rows, days):
        return Predictive(self.values[rows] + self.bias, np.full(len(rows), self.spread))


def a_programme(**changes):
    """Two people by hand: rises of 0.5 a day with one odd gap, and 1.0 a day."""
    given = {
        "person": [0, 0, 0, 0, 1, 1],
        "day": [0, 20, 50, 80, 5, 35],
        "hbs_before_pct": [30.0, 25.0, 31.0, 36.0, 40.0, 42.0],
        "hbs_after_pct": [15.0, 16.0, 12.0, 20.0, 12.0, 14.0],
    }
    return SessionColumns.build(**(given | changes))


def test_own_mean_rate_is_the_mean_of_the_rates_so_far():
    # Transfusion 2024;64:685-92 defines the rate as rise over days; by hand (25−15)/20 and (31−16)/30 are 0.5.
    columns = a_programme()
    found = OwnMeanRate()(columns).forecast(columns, np.array([3, 1, 5]), np.array([30.0, 20.0, 10.0]))
    # Row 3: after 12, mean of 0.5 and 0.5, 30 days. Rows 1 and 5: no own rate yet, so the programme's mean rate.
    programme = np.mean([0.5, 0.5, (36.0 - 12.0) / 30.0, 1.0])
    assert found.median() == pytest.approx([12.0 + 15.0, 15.0 + 20 * programme, 12.0 + 10 * programme])


def test_own_mean_rate_takes_the_own_mean_where_the_after_value_is_missing():
    columns = a_programme(hbs_after_pct=[15.0, 17.0, np.nan, 20.0, 12.0, 14.0])
    found = OwnMeanRate()(columns).forecast(columns, np.array([3]), np.array([30.0]))
    rate = np.mean([0.5, (31.0 - 17.0) / 30.0])
    assert found.median() == pytest.approx([16.0 + 30 * rate])


def test_gaps_with_something_transfused_tell_nothing():
    columns = a_programme(gap_known=[True, True, False, True, True, True], topup_hb_g=[0, 50.0, 0, 0, 0, 0])
    assert gaps_told_before(columns).tolist() == [0, 0, 0, 0, 0, 0]
    assert gaps_told_before(a_programme()).tolist() == [0, 0, 1, 2, 0, 0]


def test_gap_lengths_start_anew_with_each_person():
    assert gap_days(a_programme())[[1, 2, 3, 5]].tolist() == [20, 30, 30, 30]
    assert np.isnan(gap_days(a_programme())[[0, 4]]).all()


def test_histories_hold_only_what_came_before():
    columns = a_programme()
    found = histories(columns, np.array([2, 5, 3]))
    assert found.n_people == 3
    assert found.person.tolist() == [0, 0, 1, 2, 2, 2]
    assert found.day.tolist() == [0, 20, 5, 0, 20, 50]


@pytest.mark.parametrize("learner", [OwnMeanRate(), DriftForm("linear")], ids=["own_mean", "linear"])
def test_a_forecast_never_sees_later_results(learner):
    columns = simulate("feedback", n_people=12, n_gaps=8, seed=3).columns
    rows = np.flatnonzero(columns.sequence() == 6)
    fitted = learner(columns.until(int(np.quantile(columns.day, 0.4))))
    changed = replace(
        columns,
        hbs_before_pct=np.where(columns.sequence() >= 6, 77.0, columns.hbs_before_pct),
        hbs_after_pct=np.where(columns.sequence() >= 6, 55.0, columns.hbs_after_pct),
    )
    days = np.full(len(rows), 28.0)
    before, after = fitted.forecast(columns, rows, days), fitted.forecast(changed, rows, days)
    assert before.quantile(0.9) == pytest.approx(after.quantile(0.9), abs=1e-9)


def test_forecasts_come_one_at_a_time_as_they_would_in_life():
    # The prefix trick must equal cutting each person's records by hand.
    columns = simulate("restless", n_people=4, n_gaps=6, seed=4).columns
    fitted = OwnMeanRate()(columns)
    rows = np.flatnonzero(columns.sequence() > 2)
    together = fitted.forecast(columns, rows, np.full(len(rows), 30.0)).median()
    alone = [
        fitted.forecast(columns.take_rows(np.arange(len(columns)) <= row), np.array([row]), np.array([30.0])).median()[
            0
        ]
        for row in rows
    ]
    assert together == pytest.approx(alone)


@pytest.fixture(scope="module")
def in_feedback():
    return run_made_up_backtest(
        "feedback", n_people=70, years=2.0, seed=4, forms=("graded",), form_in_use="graded", n_origins=1, n_draws=60
    )


def test_the_oracle_stands_in_front_and_the_form_beats_the_own_mean(in_feedback):
    found = in_feedback.results
    assert in_feedback.n_forecasts > 400
    for kind in ("attended", "longer", "routine"):
        oracle, form, own = (getattr(found[name], kind).crps for name in (ORACLE, "graded", OWN_MEAN))
        assert oracle < form < own


def test_the_oracle_covers_as_it_says(in_feedback):
    score = in_feedback.results[ORACLE].attended
    assert score.inside_80 == pytest.approx(0.8, abs=0.06)
    assert abs(score.bias) < 0.35


def test_groups_are_parts_of_the_whole(in_feedback):
    groups = in_feedback.results["graded"].groups
    whole = in_feedback.results["graded"].attended.n
    assert sum(groups[g].n for g in ("gaps_0", "gaps_1_3", "gaps_4_9", "gaps_10_up")) == whole
    assert sum(groups[g].n for g in ("days_to_21", "days_22_35", "days_over_35")) == whole


def test_the_result_can_be_stored(in_feedback):
    stored = json.loads(json.dumps(in_feedback.to_dict()))
    assert stored["results"]["graded"]["attended"]["n"] == in_feedback.n_forecasts
    assert stored["form_in_use"] == "graded"
    assert stored["origins"] == list(in_feedback.origins)


def test_records_alone_can_be_judged():
    made = simulate("daybyday", n_people=60, years=2.0, seed=6)
    honest = Fixed(made.truth.before_pct, 0.0)
    found = run_backtest(made.columns, forms=("linear",), form_in_use="linear", n_origins=1, others={"told": honest})
    assert ORACLE not in found.results
    assert found.results["told"].attended.crps < found.results["linear"].attended.crps < 10.0
    assert found.results["linear"].longer.n < found.results["linear"].attended.n
    assert found.advised == "linear"


def test_a_biased_forecast_shows_as_biased():
    made = simulate("feedback", n_people=40, years=2.0, seed=7)
    found = run_backtest(
        made.columns,
        forms=("linear",),
        form_in_use="linear",
        n_origins=2,
        others={"high": Fixed(made.truth.before_pct, 3.0)},
    )
    assert found.results["high"].attended.bias == pytest.approx(3.0, abs=0.35)


def test_few_forecasts_change_nothing():
    columns = simulate("feedback", n_people=8, n_gaps=5, seed=8).columns
    found = run_backtest(columns, forms=("logit",), form_in_use="linear", n_origins=1)
    assert found.advised == "linear"
    assert "100 are needed" in found.reason


def test_no_records_are_no_ground():
    empty = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=0)
    found = run_backtest(empty, forms=("linear",), form_in_use="linear", n_origins=1)
    assert found.n_forecasts == 0
    assert found.to_dict()["results"]["linear"]["attended"]["crps"] is None


def test_wrong_requests_are_refused():
    columns = a_programme()
    with pytest.raises(ValueError, match="at least one day"):
        run_backtest(columns, n_origins=0)
    with pytest.raises(ValueError, match="no made-up world"):
        run_made_up_backtest("sunny")


class MixedSlopes:
    """The usual mixed model as a learner: climb = (mean slope + own slope)·days + error, fitted with statsmodels.

    Days are divided by 30, without which the fit does not converge. Own slopes are the usual best linear predictions.
    """

    def __call__(self, known):
        sm = pytest.importorskip("statsmodels.api")
        rows, climb, months = self.gaps(known)
        fitted = sm.MixedLM(climb, months[:, None], groups=known.person[rows], exog_re=months[:, None]).fit(reml=False)
        self.slope, self.between, self.error = fitted.fe_params[0], fitted.cov_re[0, 0], fitted.scale
        self.after = float(np.nanmean(known.hbs_after_pct))
        return self

    @staticmethod
    def gaps(columns):
        rows = np.flatnonzero(np.isfinite(gap_days(columns)) & columns.gap_known & ~(columns.topup_hb_g > 0.0))
        climb = columns.hbs_before_pct[rows] - columns.hbs_after_pct[rows - 1]
        rows, climb = rows[np.isfinite(climb)], climb[np.isfinite(climb)]
        return rows, climb, gap_days(columns)[rows] / 30.0

    def forecast(self, columns, rows, days):
        past = histories(columns, rows)
        told, climb, months = self.gaps(past)
        person = past.person[told]
        squares = np.bincount(person, weights=months**2, minlength=len(rows))
        products = np.bincount(person, weights=months * (climb - self.slope * months), minlength=len(rows))
        own_var = 1.0 / (1.0 / self.between + squares / self.error)
        slope = self.slope + own_var * products / self.error
        start = columns.hbs_after_pct[rows - 1]
        means = own_means(columns, (self.after, 0.0))[0][rows]
        months_ahead = days / 30.0
        spread = np.sqrt(self.error + own_var * months_ahead**2)
        return Predictive(np.where(np.isnan(start), means, start) + slope * months_ahead, spread)


@pytest.mark.soak
@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.ConvergenceWarning")
@pytest.mark.parametrize("name", sorted(WORLDS))
def test_the_form_in_use_beats_own_mean_and_mixed_model_over_thousands_of_forecasts(name):
    found = run_made_up_backtest(
        name, n_people=260, years=3.0, seed=9, forms=(FORM_BEFORE_CHOICE,), n_origins=3, others={"mixed": MixedSlopes()}
    )
    form, own, mixed, oracle = (found.results[k] for k in (FORM_BEFORE_CHOICE, OWN_MEAN, "mixed", ORACLE))
    assert found.n_forecasts >= 3000
    for group in ("gaps_1_3", "gaps_4_9", "gaps_10_up"):
        assert oracle.groups[group].crps < form.groups[group].crps < own.groups[group].crps
    assert form.attended.crps < mixed.attended.crps
    assert abs(form.routine.bias) < 1.0
    assert 0.75 < form.attended.inside_80 < 0.86
