"""The rolling comparison of forms: nothing leaks from later, the rule of change holds, the oracle stays in front."""

import json
from dataclasses import replace

import numpy as np
import pytest

from sessions.numeric.backtest import ORACLE, run_backtest, run_made_up_backtest
from sessions.numeric.columns import SessionColumns
from sessions.numeric.forecasters import OWN_MEAN, DriftForm, OwnMeanRate, gap_days, gaps_told_before, histories
from sessions.numeric.mechanisms.made_up import simulate
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
