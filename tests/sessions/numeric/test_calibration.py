"""Promises kept: against a reference library, chances that are right by construction, and people counted as such."""

import numpy as np
import pytest
from scipy.stats import norm
from statsmodels.stats.proportion import proportion_confint

from programme.core.numeric.intervals import persons_resampled
from sessions.numeric.backtest import run_backtest
from sessions.numeric.calibration import by_tenths, calibrate
from sessions.numeric.mechanisms.made_up import simulate
from sessions.numeric.predictive import Predictive, Shape
from sessions.numeric.scoring import Scored
from tests.sessions.numeric.test_backtest import Fixed


def test_tenths_are_counted_by_hand():
    said = np.array([0.02, 0.1, 0.19, 0.95, 1.0, 0.3])
    kept = by_tenths(said, np.array([0.0, 0, 1, 1, 1, 0]), np.array([0, 0, 1, 1, 2, 2]))
    assert [(k.from_, k.to, k.n, k.n_people, k.count) for k in kept] == [
        (0.0, 0.1, 1, 1, 0), (0.1, 0.2, 2, 2, 1), (0.3, 0.4, 1, 1, 0), (0.9, 1.0, 2, 2, 2),
    ]  # fmt: skip
    assert kept[1].said == pytest.approx(0.145)
    assert kept[1].why_not == "fewer than 5 people"


def test_one_forecast_each_that_all_came_true_has_the_score_interval_of_the_reference_library():
    """Independent computation: statsmodels proportion_confint, method wilson."""
    (kept,) = by_tenths(np.full(12, 0.95), np.ones(12), np.arange(12))
    assert (kept.low, kept.high) == pytest.approx(proportion_confint(12, 12, method="wilson"))


def test_intervals_count_people_and_not_forecasts():
    came_true, person = np.repeat([1.0, 0.0, 1.0, 0.0, 1.0, 0.0], 10), np.repeat(np.arange(6), 10)
    (kept,) = by_tenths(np.full(60, 0.45), came_true, person)
    apart = proportion_confint(30, 60, method="wilson")
    assert kept.high - kept.low > 2 * (apart[1] - apart[0])
    by_person = persons_resampled(np.array([10.0, 0, 10, 0, 10, 0]), np.full(6, 10.0))
    assert (kept.low, kept.high) == (by_person.low, by_person.high)


def test_forecasts_that_are_right_lie_on_the_line_and_bold_ones_do_not():
    """A law: values drawn from what was forecast are over the ceiling as often as said; reference scipy.stats.norm."""
    rng = np.random.default_rng(8)
    loc, people = rng.uniform(22.0, 34.0, 20_000), np.arange(20_000) % 200
    observed, ceiling = np.round(rng.normal(loc, 3.0), 1), np.full(20_000, 30.0)
    normal = Shape.student(1e6)
    right = calibrate(Scored.of_predictive(observed, Predictive(loc, np.full(20_000, 3.0), normal), ceiling), people)
    bold = calibrate(Scored.of_predictive(observed, Predictive(loc, np.full(20_000, 1.0), normal), ceiling), people)
    assert sum(kept.low <= kept.said <= kept.high for kept in right.over) >= 9
    assert [kept.seen for kept in right.over] == pytest.approx([kept.said for kept in right.over], abs=0.03)
    expected = norm.sf((30.05 - loc) / 3.0).mean()
    assert sum(kept.said * kept.n for kept in right.over) / 20_000 == pytest.approx(expected, abs=1e-3)
    assert [kept.seen for kept in right.ranges] == pytest.approx([0.5, 0.8, 0.9], abs=0.015)
    assert bold.over[0].seen > bold.over[0].high or bold.over[0].low > bold.over[0].said
    assert bold.ranges[1].high < 0.8


def test_without_ceilings_nothing_is_said_of_chances_but_of_ranges():
    scored = Scored.of_predictive(np.full(6, 25.0), Predictive(np.full(6, 25.0), np.ones(6)))
    found = calibrate(scored, np.arange(6))
    assert found.over == ()
    assert [kept.seen for kept in found.ranges] == [1, 1, 1]
    assert calibrate(scored.where(np.zeros(6, bool)), np.arange(0)).ranges == ()


def test_a_comparison_holds_each_form_against_the_ceiling_of_that_day(a_programme_of_people):
    columns, ceiling = a_programme_of_people
    truth = {"told": Fixed(columns.hbs_before_pct, 0.0, spread=0.5)}
    found = run_backtest(columns, forms=(), others=truth, ceiling_pct=ceiling).results["told"].calibration
    assert [(kept.from_, kept.seen) for kept in found.over] == [(0.0, 0.0), (0.9, 1.0)]
    stored = found.to_dict()["over"]
    assert stored[0]["from_"] == 0.0
    assert sum(kept.n for kept in found.over) == found.ranges[0].n


@pytest.fixture
def a_programme_of_people():
    """Eight people of eight sessions; half have a ceiling just under what they reach, half well over it."""
    columns = simulate("daybyday", n_people=8, years=1.0, seed=3).columns
    shift = np.where(columns.person % 2 == 0, -4.0, 4.0)
    return columns, columns.hbs_before_pct + shift
