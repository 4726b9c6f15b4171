"""Differences between two spans: a reference library, published limits, enumeration, made-up programmes."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import binom, binomtest

from programme.core.numeric.differences import persons_compared, rates_compared
from programme.core.numeric.intervals import tail_of


@pytest.mark.parametrize(("later", "earlier"), [((11, 800.0), (21, 3011.0)), ((1, 1193.0), (4, 980.0))])
def test_a_ratio_of_rates_has_the_exact_limits_of_the_reference_library(later, earlier):
    """Independent computation: scipy.stats.binomtest, exact limits of the share of events in the later span."""
    found = rates_compared(later, earlier)
    share = binomtest(later[0], later[0] + earlier[0]).proportion_ci(0.95, "exact")
    odds = [p / (1 - p) * earlier[1] / later[1] for p in (share.low, share.high)]
    assert (found.interval.low, found.interval.high) == pytest.approx(odds, rel=1e-9)
    assert found.value == pytest.approx(later[0] / later[1] / (earlier[0] / earlier[1]))


@pytest.mark.parametrize(("later", "earlier"), [(0, 6), (6, 0)])
def test_none_in_one_span_leaves_one_limit_open(later, earlier):
    """A law: at the limit the events seen, or more, have a chance of 0.025. 0 against 6: ratio under 0.848."""
    found = rates_compared((later, 100.0), (earlier, 100.0))
    limit = found.interval.high if later == 0 else 1 / found.interval.low
    assert binom.pmf(0, 6, limit / (1 + limit)) == pytest.approx(0.025)
    assert found.beyond_chance
    assert not rates_compared((later // 2, 100.0), (earlier // 2, 100.0)).beyond_chance


def test_no_event_at_all_says_nothing():
    assert rates_compared((0, 10.0), (0, 10.0)).interval.why_not == "none in either"
    assert rates_compared((1, 10.0), (0, 0.0)).interval.why_not == "nothing counted"
    with pytest.raises(ValueError, match="allowed is 0 or more"):
        rates_compared((-1, 10.0), (0, 10.0))


def test_limits_of_a_difference_are_percentiles_of_every_possible_draw():
    """Five people in both years: all 3,125 equally likely draws, at the tail widened for five."""
    now, of = np.array([4.0, 0, 3, 2, 5]), np.array([4.0, 2, 6, 3, 9])
    old, old_of = np.array([1.0, 1, 2, 2, 8]), np.array([5.0, 3, 4, 4, 9])
    draws = np.array(list(product(range(5), repeat=5)))
    every = now[draws].sum(1) / of[draws].sum(1) - old[draws].sum(1) / old_of[draws].sum(1)
    found = persons_compared((now, of), (old, old_of), draws=40_000)
    assert found.value == pytest.approx(14 / 24 - 14 / 25)
    assert found.interval.low == pytest.approx(np.quantile(every, tail_of(5)), abs=0.06)
    assert found.interval.high == pytest.approx(np.quantile(every, 1 - tail_of(5)), abs=0.06)


def test_people_who_do_the_same_each_year_make_a_small_change_sure():
    """The same people in both years: what tells people apart cancels, and no longer hides the change."""
    of = np.full(20, 12.0)
    now, old = np.repeat([12.0, 2.0], 10), np.repeat([10.0, 0.0], 10)
    other_people = np.concatenate
    paired = persons_compared((now, of), (old, of))
    apart = persons_compared(
        (other_people([now, 0 * of]), other_people([of, 0 * of])),
        (other_people([0 * of, old]), other_people([0 * of, of])),
    )
    assert paired.beyond_chance
    assert not apart.beyond_chance
    assert paired.value == pytest.approx(apart.value) == pytest.approx(2 / 12)


def test_figures_all_alike_are_joined_as_published():
    """Nobody differs within a year: Newcombe RG, Stat Med 1998;17:873-90, table II, method 10: 0/10 less 0/20."""
    ten, twenty = (np.zeros(10), np.ones(10)), (np.zeros(20), np.ones(20))
    padded = tuple(np.concatenate([part, np.zeros(10)]) for part in ten)
    found = persons_compared(padded, twenty)
    assert (found.interval.low, found.interval.high) == (
        pytest.approx(-0.1611, abs=5e-5),
        pytest.approx(0.2775, abs=5e-5),
    )
    assert not found.beyond_chance


def test_few_people_in_one_span_have_no_interval():
    of = np.array([3.0, 3, 3, 3, 0, 0])
    found = persons_compared((np.ones(6), of), (np.ones(6), np.full(6, 3.0)))
    assert found.interval.why_not == "fewer than 5 people"
    assert persons_compared((np.zeros(6), np.zeros(6)), (np.ones(6), of)).interval.why_not == "nothing counted"
    half = np.full(6, 2.0)
    assert persons_compared((np.ones(6), half), (np.ones(6), half)).interval.why_not == "everybody has the same figure"


def held(programmes, people, seed, *, change):
    """How many made-up programmes have the true change inside: people differ and some come or go."""
    rng, inside = np.random.default_rng(seed), 0
    for _ in range(programmes):
        own = rng.beta(8, 3, people) * 0.9
        counts = []
        for shift in (change, 0.0):
            sessions = rng.integers(6, 15, people) * (rng.random(people) < 0.85)
            counts.append((rng.binomial(sessions, own + shift).astype(float), sessions.astype(float)))
        found = persons_compared(*counts, draws=1000, seed=int(rng.integers(1e9))).interval
        inside += found.low <= change <= found.high
    return inside


@pytest.mark.parametrize(("people", "change"), [(25, 0.0), (60, 0.08)])
def test_ninety_five_in_a_hundred_intervals_hold_the_true_change(people, change):
    """Coverage is 93 to 97 in 100: fails only where so few or many would come 1 in 1,000 times from such a method."""
    inside = held(400, people, seed=21, change=change)
    assert binom.ppf(0.001, 400, 0.93) <= inside <= binom.ppf(0.999, 400, 0.97)


@pytest.mark.soak
@pytest.mark.parametrize("people", [25, 60, 300])
@pytest.mark.parametrize("change", [0.0, 0.08])
def test_coverage_of_changes_over_thousands_of_programmes(people, change):
    assert 0.93 <= held(3000, people, seed=22, change=change) / 3000 <= 0.97
