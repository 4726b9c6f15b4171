"""The spread of a forecast: quantiles, chances at reported precision, and shapes."""

import numpy as np
import pytest
from scipy.stats import norm, t

from sessions.numeric.predictive import SCORES, SHAPE_BEFORE_DATA, Predictive, Shape

NORMAL = Shape(SCORES)


def test_a_normal_shape_gives_normal_quantiles_and_chances():
    # Independent computation: scipy.stats.norm.
    forecast = Predictive(np.array([25.0]), np.array([4.0]), NORMAL)
    p = np.array([0.01, 0.1, 0.5, 0.9, 0.99])
    assert forecast.expanded(1).quantile(p)[0] == pytest.approx(norm(25, 4).ppf(p), abs=1e-9)
    assert forecast.chance_up_to(28.0)[0] == pytest.approx(norm(25, 4).cdf(28.0), abs=1e-12)


def test_the_shape_before_data_is_students_with_8_degrees():
    # Independent computation: scipy.stats.t; straight lines between knots cost a little.
    forecast = Predictive(np.zeros(1), np.ones(1), SHAPE_BEFORE_DATA)
    for p in (0.02, 0.1, 0.25, 0.5, 0.8, 0.95, 0.99):
        assert forecast.quantile(p)[0] == pytest.approx(t(8).ppf(p), abs=0.02)
    assert forecast.quantile(1e-4)[0] < -4.0


def test_over_means_that_the_reported_value_is_over():
    # 30.0 is not over a ceiling of 30; 30.1 is, and everything from 30.05 up is reported so.
    forecast = Predictive(np.array([30.05]), np.array([2.0]), NORMAL)
    assert forecast.chance_over(30.0)[0] == pytest.approx(0.5)
    assert forecast.chance_over(30.04)[0] == pytest.approx(0.5)
    assert forecast.chance_over(30.1)[0] < 0.5


def test_chance_and_quantile_are_each_others_inverse():
    shape = Shape(tuple(x + 0.05 * abs(x) for x in SCORES))
    forecast = Predictive(np.array([28.0, 31.0]), np.array([2.0, 5.0]), shape)
    for p in (0.001, 0.1, 0.37, 0.9, 0.999):
        assert forecast.chance_up_to(forecast.quantile(p)) == pytest.approx(np.full(2, p), abs=1e-9)


def test_forecasts_broadcast_over_people_days_and_ceilings():
    forecast = Predictive(np.full((5, 7), 28.0), np.full((5, 7), 3.0))
    chances = forecast.expanded(1).chance_over(np.array([25.0, 30.0, 35.0]))
    assert chances.shape == (5, 7, 3)
    assert (np.diff(chances, axis=-1) < 0.0).all()


def test_nothing_known_stays_nothing_known():
    forecast = Predictive(np.array([np.nan]), np.array([2.0]))
    assert np.isnan(forecast.chance_over(30.0)).all()
    assert np.isnan(forecast.median()).all()
