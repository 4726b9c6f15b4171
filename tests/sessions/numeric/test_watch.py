"""The forecast watch: forecasts that hold are left alone, those that run low are found, against simulated programmes.

What is asked of a range is that it holds its share of what is measured: calibration in the sense of Gneiting T,
Balabdaoui F, Raftery AE, J R Stat Soc B 2007;69:243-68. Quantiles of the normal are those of scipy.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from sessions.numeric.watch import FEWEST_FORECASTS, FEWEST_PEOPLE, Watched, watch

Z = norm.ppf(0.9)
PEOPLE, EACH = 40, 6


def season(seed: int, *, shift: float = 0.0, width: float = 1.0, people: int = PEOPLE, each: int = EACH, before=1.0):
    """One season of a programme whose forecasts say N(25, 3²): measured values lie `shift` sd higher, spread `width`.

    A fifth of the error belongs to the person, so that the forecasts of one person hang together.
    """
    rng = np.random.default_rng(seed)
    own = rng.normal(0.0, np.sqrt(0.2), people)[:, None]
    error = shift + width * (own + rng.normal(0.0, np.sqrt(0.8), (people, each)))
    n = people * each
    return watch(
        observed=25.0 + 3.0 * error.ravel(),
        p10=np.full(n, 25.0 - 3.0 * Z),
        p90=np.full(n, 25.0 + 3.0 * Z),
        person=np.repeat(np.arange(people) * 7, each),
        caution_before=before,
    )


def many(**what) -> list[Watched]:
    return [season(seed, **what) for seed in range(100)]


def test_the_shares_are_those_of_the_normal():
    """Shifted by half a standard deviation: above p90 lie 1 − Φ(1.2816 − 0.5) = 21.7 %."""
    found = many(shift=0.5)
    above, inside = norm.sf(Z - 0.5), norm.cdf(Z - 0.5) - norm.cdf(-Z - 0.5)
    assert np.mean([one.above for one in found]) == pytest.approx(above, abs=0.01)
    assert np.mean([one.inside for one in found]) == pytest.approx(inside, abs=0.01)
    assert (found[0].n, found[0].n_people) == (PEOPLE * EACH, PEOPLE)


def test_forecasts_that_hold_are_left_alone():
    found = many()
    assert sum(not one.holds for one in found) <= 3
    assert sum(one.caution < 1.0 for one in found) <= 3


def test_forecasts_that_run_low_are_found_and_half_the_chance_is_planned_with():
    """Twice as many above p90 as should be: 0.10/0.217 lies nearest to a half."""
    found = many(shift=0.5)
    assert sum(not one.holds for one in found) >= 80
    assert np.median([one.caution for one in found if not one.holds]) == 0.5


def test_ranges_that_are_too_narrow_are_found():
    """With errors half as large again 61 in 100 lie inside: 2Φ(1.2816/1.5) − 1 = 0.607."""
    found = many(width=1.5)
    assert np.mean([one.inside for one in found]) == pytest.approx(2 * norm.cdf(Z / 1.5) - 1, abs=0.015)
    assert sum(not one.holds for one in found) >= 90


def test_forecasts_that_run_high_are_said_not_to_hold_and_nobody_comes_sooner():
    found = many(shift=-0.8)
    assert sum(not one.holds for one in found) >= 70
    assert {one.caution for one in found} == {1.0}


def test_of_few_nothing_is_said_and_a_caution_stays():
    for people, each in ((FEWEST_PEOPLE - 1, 20), (FEWEST_FORECASTS - 1, 1)):
        found = season(1, shift=2.0, people=people, each=each, before=0.5)
        assert (found.enough, found.holds, found.caution) == (False, True, 0.5)
    assert season(1, people=0, before=0.5).caution == 0.5
    assert season(1, people=0).caution == 1.0


def test_a_caution_goes_back_only_once_no_more_than_allowed_lie_above():
    """Twelve in 100 above are allowed: at 15 it stays though the interval reaches over 12, at 10 it goes."""
    people = np.repeat(np.arange(20), 5)
    p10, p90 = np.full(100, 20.0), np.full(100, 30.0)

    def found(n_above: int, before: float) -> Watched:
        observed = np.where(np.arange(100) * 37 % 100 < n_above, 31.0, 25.0)
        return watch(observed=observed, p10=p10, p90=p90, person=people, caution_before=before)

    assert found(15, 1.0).caution == 1.0
    assert found(15, 0.5).caution == 0.75
    assert found(15, 0.5).holds
    assert found(12, 0.5).caution == 1.0


def test_a_value_on_the_edge_counts_half():
    one = np.full(30, 30.0)
    found = watch(observed=one, p10=one - 10, p90=one, person=np.arange(30))
    assert (found.inside, found.above) == (0.5, 0.5)
