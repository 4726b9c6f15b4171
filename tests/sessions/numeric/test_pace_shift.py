"""Odds of a changed pace and their thresholds, against plain normal densities, drawn lives and a plain count."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from sessions.numeric import pace_shift
from sessions.numeric.pace_shift import (
    BEFORE_RECORDS,
    FASTER_BY,
    GAPS_HELD,
    GAPS_WATCHED,
    SLOWER_BY,
    WINDOWS,
    Gaps,
    Steady,
    compare,
    draw_steady,
    learn_thresholds,
    steady_covariance,
    windows,
)
from sessions.numeric.predictive import Shape

NORMAL = Shape.student(1e6)


def gaps_of(n_people, n_gaps, *, sd=0.16, days=28.0, share=None):
    newest_first = days * np.arange(n_gaps, 0, -1.0)
    shape = (n_people, n_gaps)
    return Gaps(
        known=np.ones(shape, dtype=bool),
        share=np.zeros(shape) if share is None else share,
        sd=np.full(shape, sd),
        begins=np.tile(newest_first - days, (n_people, 1)),
        ends=np.tile(newest_first, (n_people, 1)),
    )


def steady(n_people, *, between=0.25, walk=0.02, spell=0.1, spell_days=20.0, shape=NORMAL):
    return Steady(
        centre=np.zeros(n_people),
        between_sd=np.full(n_people, between),
        walk_sd=np.full(n_people, walk),
        spell_sd=np.full(n_people, spell),
        spell_days=spell_days,
        shape=shape,
    )


def test_odds_are_the_summed_ratios_of_normal_densities():
    """Independent computation: the densities of scipy.stats; shares near enough together that none is held in."""
    share = np.array([[0.32, 0.3, 0.34, 0.31, 0.33, 0.32, 0.02, -0.02, 0.01, -0.01, 0.0, 0.02, -0.02, 0.0]])
    gaps, common = gaps_of(1, 14, share=share), steady(1)
    cov = steady_covariance(gaps, common)[0]
    none = multivariate_normal(np.zeros(14), cov).logpdf(share[0])
    ratios = []
    for window in WINDOWS:
        usual = np.median(share[0, window:])
        changed = np.where(np.arange(14) < window, FASTER_BY * (1.0 + usual), 0.0)
        ratios.append(multivariate_normal(changed, cov).logpdf(share[0]) - none)
    odds = compare(gaps, common, windows(gaps, common), gaps.share)
    assert odds.faster[0] == pytest.approx(np.logaddexp.reduce(ratios), abs=1e-6)
    assert odds.faster_gaps[0] == WINDOWS[int(np.argmax(ratios))]
    assert odds.slower[0] == -np.inf  # no two gaps lie on that side
    slower = compare(gaps, common, windows(gaps, common), -gaps.share)
    assert slower.slower[0] > 0.0 > slower.faster[0]
    assert SLOWER_BY < 0.0


def test_spells_last_into_the_next_gap_as_their_integrals_do():
    """Independent computation: an Ornstein-Uhlenbeck path with covariance s²·e^(−|t−u|/τ), summed over fine steps."""
    gaps, common = gaps_of(1, 2, sd=0.5, days=30.0), steady(1, between=0.0, walk=0.0, spell=0.3, spell_days=12.0)
    step = 0.05
    first = np.arange(0.0, 30.0, step) + step / 2
    second = first + 30.0
    between = (0.3**2 * np.exp(-np.abs(first[:, None] - second[None, :]) / 12.0)).mean()
    assert steady_covariance(gaps, common)[0, 0, 1] == pytest.approx(between, rel=1e-4)
    assert steady_covariance(gaps, common)[0, 0, 0] == pytest.approx(0.25)


def test_drawn_people_spread_as_stated():
    """Law: the covariance of many drawn people is the one that the odds reckon with."""
    gaps, common = gaps_of(1, 5), steady(1)
    drawn = draw_steady(gaps, common, np.random.default_rng(4), 60_000)[:, 0]
    wanted = steady_covariance(gaps, common)[0]
    assert np.abs(drawn.mean(axis=0)).max() < 4.0 * np.sqrt(wanted[0, 0] / 60_000)
    assert np.cov(drawn.T) == pytest.approx(wanted, rel=0.03, abs=0.0005)


def test_one_gap_far_out_cannot_decide_and_two_can():
    share = np.zeros((3, 12))
    share[0, 0] = 3.0  # a wrong tube
    share[1, :2] = 0.6
    share[2, 8] = 3.0  # an old one
    share[2, :2] = 0.6
    gaps, common = gaps_of(3, 12, share=share), steady(3, walk=0.0, spell=0.0)
    odds = compare(gaps, common, windows(gaps, common), gaps.share)
    assert odds.faster[0] < BEFORE_RECORDS.faster < odds.faster[1]
    assert odds.faster[2] == pytest.approx(odds.faster[1], abs=2.0)


def test_too_few_gaps_before_say_nothing():
    gaps, common = gaps_of(2, 5), steady(2)
    odds = compare(gaps, common, windows(gaps, common), gaps.share)
    assert np.isnan(odds.faster).all() and np.isnan(odds.slower).all()
    assert learn_thresholds(gaps, common, np.random.default_rng(1)) == BEFORE_RECORDS


def test_thresholds_hold_the_false_flags_of_other_steady_people():
    """Requirement: at most 5 false flags in 100 person-years, here counted plainly in people drawn anew."""
    n_people, n_gaps, draws = 60, 40 + GAPS_HELD, 12
    gaps, common = gaps_of(n_people, n_gaps), steady(n_people)
    learnt = learn_thresholds(gaps, common, np.random.default_rng(1))
    share = draw_steady(gaps, common, np.random.default_rng(2), draws)
    flags, last = 0, np.full((draws, n_people), 99)
    for first in range(GAPS_WATCHED - 1, -1, -1):
        part = gaps.since(first)
        odds = compare(part, common, windows(part, common), share[..., first : first + GAPS_HELD])
        over = (odds.faster > learnt.faster) | (odds.slower > learnt.slower)
        flags += int((over & (last > 4)).sum())
        last = np.where(over, 1, last + 1)
    rate = 100.0 * flags / (draws * n_people * GAPS_WATCHED * 28.0 / 365.25)
    assert 4.0 <= rate <= 5.6  # 5, with two standard errors of the count


def test_the_count_of_flags_is_that_of_a_plain_loop():
    log_odds = np.random.default_rng(5).normal(5.0, 1.5, (30, 50))

    def plain(threshold):
        flags = 0
        for course in log_odds.T:
            stood = -99
            for at, value in enumerate(course):
                if value > threshold:
                    flags += at - stood > 4
                    stood = at
        return flags

    for allowed in (20.0, 60.0, 120.0):
        found = pace_shift._threshold(log_odds, allowed)
        assert all(plain(over) <= allowed for over in np.arange(found, log_odds.max(), 0.02))
        assert plain(found - 0.05) > allowed


def test_thresholds_do_not_sink_where_hardly_anybody_can_be_flagged():
    """People with few gaps bring years and no flags; those few who have enough are not paid with them."""
    known = np.zeros((40, 12), dtype=bool)
    known[:, :5] = True
    known[0] = True
    few = gaps_of(40, 12)
    few = Gaps(known, few.share, few.sd, few.begins, few.ends)
    learnt = learn_thresholds(few, steady(40), np.random.default_rng(1))
    assert min(learnt.faster, learnt.slower) >= 3.5  # odds of 33 to 1
