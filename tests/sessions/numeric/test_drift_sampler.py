"""Drawn courses against the forecasts they must agree with."""

import numpy as np
import pytest

from sessions.numeric.drift.fit import fit_programme
from sessions.numeric.drift.person import update_people
from sessions.numeric.drift.predict import predict
from sessions.numeric.drift.sampler import CourseSampler
from sessions.numeric.mechanisms.made_up import simulate


@pytest.fixture(scope="module")
def believed():
    columns = simulate("restless", n_people=60, years=2.0, seed=4).columns
    fit = fit_programme(columns)
    pace = update_people(fit, columns)
    return fit, pace, np.flatnonzero(pace.n_gaps > 4)[:3]


def test_the_first_gap_has_the_spread_of_the_forecast(believed):
    fit, pace, people = believed
    for person in people:
        one = pace.take(person)
        for days in (14.0, 28.0, 49.0):
            sampler = CourseSampler(fit, one, np.random.default_rng(1), 40_000)
            _, measured = sampler.next_before(sampler.after_true_pct, days)
            forecast = predict(fit, one, days=days)
            # Courses are drawn from normal parts, forecasts have the shape of past errors: close, not equal. The
            # upper side, which ceilings are about, is held more tightly, but beyond the usual interval, where forecasts
            # are kept from drawing together.
            beyond = days > float(one.usual_interval_days)
            for p, near in ((0.1, 0.3 if beyond else 0.22), (0.5, 0.1), (0.9, 0.3 if beyond else 0.1)):
                assert np.quantile(measured, p) == pytest.approx(
                    float(forecast.quantile(p)), abs=near * float(forecast.scale)
                )


def test_a_pace_is_carried_on_so_that_gaps_of_one_path_agree(believed):
    fit, pace, people = believed
    sampler = CourseSampler(fit, pace.take(people[0]), np.random.default_rng(1), 20_000)
    first, _ = sampler.next_before(12.0, 28.0)
    second, _ = sampler.next_before(12.0, 28.0)
    assert np.corrcoef(first, second)[0, 1] > 0.05


def test_measured_values_are_reported_to_a_tenth_and_carry_the_assay(believed):
    fit, pace, people = believed
    sampler = CourseSampler(fit, pace.take(people[1]), np.random.default_rng(2), 20_000)
    true, measured = sampler.next_before(12.0, 28.0)
    assert measured == pytest.approx(np.round(measured, 1), abs=1e-9)
    assert np.std(measured - true) == pytest.approx(fit.values["assay_sd"], rel=0.35)


def test_the_same_generator_gives_the_same_paths(believed):
    fit, pace, people = believed
    drawn = [
        CourseSampler(fit, pace.take(people[0]), np.random.default_rng(9), 50).next_before(15.0, 30.0)[1]
        for _ in range(2)
    ]
    assert drawn[0].tolist() == drawn[1].tolist()


def test_more_than_one_person_is_refused(believed):
    fit, pace, people = believed
    with pytest.raises(ValueError, match="allowed is one"):
        CourseSampler(fit, pace.take(people[:2]), np.random.default_rng(0), 10)
