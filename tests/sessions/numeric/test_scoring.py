"""Scores against published values, numerical integration, and their own laws."""

import numpy as np
import pytest
from scipy import integrate, stats

from sessions.numeric.predictive import Predictive, Shape
from sessions.numeric.scoring import (
    Scored,
    crps_draws,
    crps_normal,
    crps_predictive,
    crps_student_t,
    mean_difference,
    summarise,
)


def test_normal_score_has_the_published_value_at_the_centre():
    # Documentation of the Python package properscoring: N(0, 1), y = 0. Formula: Gneiting & Raftery 2007.
    assert crps_normal(0.0, 0.0, 1.0) == pytest.approx(0.23369497725510913, abs=1e-14)


@pytest.mark.parametrize(
    ("y", "loc", "scale", "expected"),
    [
        # Independent computation from the published formula (Gneiting & Raftery 2007).
        (1.0, 0.0, 1.0, 0.602441358),
        (2.0, 0.0, 1.0, 1.452791822),
        (28.0, 25.0, 4.0, 1.792577009),
        (31.0, 25.0, 4.0, 3.977696016),
    ],
)
def test_normal_score_elsewhere(y, loc, scale, expected):
    assert crps_normal(y, loc, scale) == pytest.approx(expected, abs=1e-9)


def test_student_score_has_the_published_value():
    # Tests of the R package scoringRules (Jordan, Krüger & Lerch 2019): y = −3, 5 degrees of freedom.
    assert crps_student_t(-3.0, 0.0, 1.0, 5) == pytest.approx(2.33875895, abs=1e-8)


@pytest.mark.parametrize(
    ("y", "loc", "scale", "df", "expected"),
    [
        # Independent computation from the published formula (Jordan, Krüger & Lerch 2019).
        (0.0, 0.0, 1.0, 5, 0.257025363),
        (0.0, 0.0, 1.0, 4, 0.263689222),
        (1.0, 0.0, 1.0, 4, 0.605330008),
        (2.0, 0.0, 1.0, 3, 1.366922344),
        (31.0, 25.0, 4.0, 4, 3.854756887),
    ],
)
def test_student_score_elsewhere(y, loc, scale, df, expected):
    assert crps_student_t(y, loc, scale, df) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("df", [2.5, 8.0, 60.0])
def test_student_score_equals_its_defining_integral(df):
    # Definition (Gneiting & Raftery 2007, equation 20): ∫(F(x) − 1{x ≥ y})² dx, by quadrature.
    y = 1.3
    below = integrate.quad(lambda x: stats.t.cdf(x, df) ** 2, -np.inf, y)[0]
    above = integrate.quad(lambda x: stats.t.sf(x, df) ** 2, y, np.inf)[0]
    assert crps_student_t(y, 0.0, 1.0, df) == pytest.approx(below + above, abs=1e-7)


def test_student_score_tends_to_the_normal_one():
    assert crps_student_t(1.7, 0.2, 1.4, 1e7) == pytest.approx(float(crps_normal(1.7, 0.2, 1.4)), abs=1e-5)


def test_student_score_refuses_a_tail_without_a_mean():
    with pytest.raises(ValueError, match="more than 1"):
        crps_student_t(0.0, 0.0, 1.0, 1.0)


def test_score_of_draws_agrees_with_the_plain_double_sum():
    rng = np.random.default_rng(5)
    draws, y = rng.normal(size=(3, 7)), np.array([0.0, 2.0, -1.0])
    plain = [
        np.mean(np.abs(x - v)) - sum(abs(a - b) for a in x for b in x) / (2 * 7 * 6)
        for x, v in zip(draws, y, strict=True)
    ]
    assert crps_draws(y, draws) == pytest.approx(plain, abs=1e-12)


def test_score_of_draws_is_unbiased_for_few_draws():
    rng = np.random.default_rng(6)
    y = rng.normal(size=40_000)
    exact = crps_normal(y, 0.0, 1.0)
    few = crps_draws(y, rng.normal(size=(40_000, 3)))
    assert np.mean(few - exact) == pytest.approx(0.0, abs=4 * np.std(few - exact) / 200)


@pytest.mark.parametrize("y", [-40.0, -3.0, 0.0, 1.7, 40.0])
def test_forecast_scores_like_the_spread_it_describes(y):
    # Published Student score (Jordan, Krüger & Lerch 2019) against the shape's own table, which follows it closely.
    forecast = Predictive(np.array([2.0]), np.array([3.0]), Shape.student(8.0))
    expected = crps_student_t(y, 2.0, 3.0, 8.0)
    assert crps_predictive(y, forecast)[0] == pytest.approx(float(expected), abs=0.01)


def test_score_scales_with_the_unit():
    assert crps_student_t(3.0 * 7, 1.0 * 7, 2.0 * 7, 4.0) == pytest.approx(7 * crps_student_t(3.0, 1.0, 2.0, 4.0))


def test_true_forecast_scores_best_and_covers_as_it_says():
    rng = np.random.default_rng(7)
    y = 25.0 + 3.0 * rng.standard_t(8.0, 20_000)
    true = Predictive(np.full(20_000, 25.0), np.full(20_000, 3.0))
    right = summarise(Scored.of_predictive(y, true))
    assert right.inside_50 == pytest.approx(0.5, abs=0.011)
    assert right.inside_80 == pytest.approx(0.8, abs=0.009)
    assert right.inside_90 == pytest.approx(0.9, abs=0.007)
    assert right.above_p90 == pytest.approx(0.1, abs=0.007)
    for loc, scale in ((25.5, 3.0), (25.0, 4.0), (25.0, 2.2)):
        other = Predictive(np.full(20_000, loc), np.full(20_000, scale))
        assert crps_predictive(y, other).mean() > right.crps


def test_bias_is_positive_when_forecasts_lie_too_high():
    y = np.array([20.0, 22.0])
    high = summarise(Scored.of_predictive(y, Predictive(y + 1.5, np.ones(2))))
    assert high.bias == pytest.approx(1.5)


def test_draws_of_a_forecast_score_like_the_forecast():
    rng = np.random.default_rng(8)
    y = rng.normal(30.0, 2.0, 400)
    draws = summarise(Scored.of_draws(y, rng.normal(30.0, 2.0, (400, 2_000))))
    assert draws.crps == pytest.approx(crps_normal(y, 30.0, 2.0).mean(), rel=0.01)


def test_nothing_scored_says_so():
    empty = summarise(Scored.of_predictive(np.empty(0), Predictive(np.empty(0), np.empty(0))))
    assert empty.n == 0
    assert empty.to_dict()["crps"] is None


def test_clustered_error_matches_a_hand_count():
    # Three persons with two forecasts each, differences 1,1 / 0,0 / −1,−1: d̄ = 0, sums 2, 0, −2,
    # SE² = 3/2·(4 + 0 + 4)/36 = 1/3. Treated as six independent ones it would be 4/5/6 = 0.1333.
    found = mean_difference(np.array([1, 1, 0, 0, -1, -1.0]), np.zeros(6), np.array([4, 4, 9, 9, 2, 2]))
    assert found.mean == 0.0
    assert found.standard_error == pytest.approx(np.sqrt(1 / 3))
    assert (found.n, found.n_people) == (6, 3)


def test_clustered_error_agrees_with_statsmodels():
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(9)
    person = np.repeat(np.arange(30), rng.integers(1, 9, 30))
    d = rng.normal(size=30)[person] + rng.normal(size=len(person))
    fit = sm.OLS(d, np.ones(len(d))).fit(cov_type="cluster", cov_kwds={"groups": person, "df_correction": False})
    ours = mean_difference(d, np.zeros(len(d)), person)
    assert ours.standard_error == pytest.approx(fit.bse[0], rel=1e-9)


def test_one_person_is_no_ground_for_a_choice():
    found = mean_difference(np.array([-5.0, -6.0]), np.zeros(2), np.array([1, 1]))
    assert np.isnan(found.standard_error)
    assert not found.is_clearly_negative
