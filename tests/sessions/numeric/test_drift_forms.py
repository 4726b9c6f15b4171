"""The candidate forms against published laws and worked numbers."""

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.special import gamma

from sessions.numeric.drift.forms import DONOR_REFERENCE_PCT, FORMS, OWN_SHARE_REFERENCE, rise

# Life-span law of normal red cells: mean 115.6 d, SD 24.8 d (Weibull). Shrestha RP et al. J Pharmacokinet
# Pharmacodyn 2016;43:259-74.
MEAN_LIFE_DAYS, SHAPE, SCALE_DAYS = 115.6, 5.37811, 125.3763


def two_pool(after: float, untransfused: float, life: float, days: float, early: float = 0.0) -> float:
    """Donor cells lost along 1 − t/L after an early loss, in the units of a climb."""
    climb = DONOR_REFERENCE_PCT * (early + (1.0 - early) * days / life)
    return after + float(rise("two_pool", after_pct=after, climb=climb, untransfused_pct=untransfused).points)


def test_worked_numbers_of_linear_loss():
    # Independent computation by hand: 100 − 90·(1 − 28/L).
    assert two_pool(10.0, 100.0, 115.0, 28.0) == pytest.approx(31.913, abs=5e-4)
    assert two_pool(10.0, 100.0, 120.0, 28.0) == pytest.approx(31.0, abs=1e-9)
    assert two_pool(10.0, 100.0, 97.0, 28.0) == pytest.approx(35.979, abs=5e-4)


def test_linear_loss_agrees_with_the_rule_for_a_month():
    # Retrospective of exchange and simple transfusion 2014-16 (Montefiore, J Clin Apher): after ≤ 10 % gave before
    # < 30 % and ≤ 15 % gave < 40 % about a month later. The worst case of linear loss lies at those ceilings.
    assert two_pool(10.0, 100.0, 115.0, 28.0) == pytest.approx(30.0, abs=2.5)
    assert two_pool(15.0, 100.0, 115.0, 28.0) < 40.0


def test_early_loss_takes_its_share_of_donor_cells_first():
    # U − S(t) = (U − S₀)(1 − e)(1 − k·t), by hand: 90 − 78·0.9·(1 − 28/115).
    assert two_pool(12.0, 90.0, 115.0, 28.0, early=0.1) == pytest.approx(90.0 - 78.0 * 0.9 * (1.0 - 28.0 / 115.0))


@pytest.mark.parametrize(("days", "left"), [(14, 0.87889), (28, 0.75780), (42, 0.63684), (56, 0.51656)])
def test_a_straight_line_is_right_to_a_tenth_of_a_point_up_to_eight_weeks(days, left):
    # A cohort of mixed age keeps 1 − ∫₀ᵗS/mean (residual-life theory; law of Shrestha 2016). The share left is computed
    # here by quadrature; the figures in the list are the same law computed elsewhere.
    assert SCALE_DAYS * gamma(1.0 + 1.0 / SHAPE) == pytest.approx(MEAN_LIFE_DAYS, abs=0.01)
    lost = quad(lambda t: np.exp(-((t / SCALE_DAYS) ** SHAPE)), 0.0, days)[0] / MEAN_LIFE_DAYS
    assert 1.0 - lost == pytest.approx(left, abs=2e-5)
    by_law = 100.0 - 90.0 * (1.0 - lost)
    assert two_pool(10.0, 100.0, MEAN_LIFE_DAYS, days) == pytest.approx(by_law, abs=0.1)


def test_donor_cells_of_published_life_spans_lie_around_the_line():
    # 129 ± 5 d and 114 ± 8 d for two donors, each in three recipients (Eadie GS, Brown IW. J Clin Invest 1955).
    slow, fast = two_pool(12.0, 90.0, 129.0, 28.0), two_pool(12.0, 90.0, 114.0, 28.0)
    assert slow < two_pool(12.0, 90.0, MEAN_LIFE_DAYS, 28.0) < fast


def test_a_personal_mean_rate_is_the_linear_form():
    # (30 − 12)/0.6 = 30 days to the ceiling, by hand.
    assert 12.0 + rise("linear", after_pct=12.0, climb=0.6 * 30.0, untransfused_pct=90.0).points == pytest.approx(30.0)


@pytest.mark.parametrize("turnover", [-0.02, 0.0, 0.01, 0.04])
@pytest.mark.parametrize("pace", [0.1, 0.6, 1.3])
def test_graded_solves_its_mass_balance(turnover, pace):
    # Independent computation: grams of own and donor Hb integrated by scipy. Own Hb is made at a share of all that
    # circulates and lost `turnover` faster than donor Hb; the common loss drops out of the share.
    days, donor_loss = 40.0, 0.015
    made = pace / DONOR_REFERENCE_PCT + turnover * OWN_SHARE_REFERENCE

    def change(_, grams):
        own, donor = grams
        return [made * (own + donor) - (donor_loss + turnover) * own, -donor_loss * donor]

    own, donor = solve_ivp(change, (0.0, days), [14.0, 74.0], rtol=1e-10, atol=1e-12).y[:, -1]
    end = own / (own + donor)
    found = rise("graded", after_pct=14.0, climb=pace * days, untransfused_pct=88.0, turnover=turnover * days)
    assert 14.0 + found.points == pytest.approx(88.0 * end, abs=1e-6)


def test_graded_without_turnover_is_two_pools_for_a_short_while():
    # Exponential loss begins along the line of linear loss.
    given = {"after_pct": np.array([8.0, 20.0, 35.0]), "climb": 0.1, "untransfused_pct": 88.0}
    assert rise("graded", **given).points == pytest.approx(rise("two_pool", **given).points, rel=1e-3)


def test_graded_goes_on_smoothly_where_its_formula_is_nought_over_nought():
    # a = 0 lies where the climb equals what turnover takes at the reference.
    turnover = 0.6
    climbs = DONOR_REFERENCE_PCT * turnover * (1.0 - OWN_SHARE_REFERENCE) + np.linspace(-0.2, 0.2, 41)
    found = rise("graded", after_pct=20.0, climb=climbs, untransfused_pct=90.0, turnover=turnover)
    assert np.diff(found.points) == pytest.approx(0.01 * found.by_climb[:-1], rel=1e-4)


def test_logit_climbs_along_a_straight_line_in_logits():
    after, untransfused = 14.0, 92.0
    given = {"after_pct": after, "untransfused_pct": untransfused}
    ends = [after + float(rise("logit", climb=climb, **given).points) for climb in (8.0, 16.0)]
    logits = [np.log(s / (untransfused - s)) for s in (after, *ends)]
    assert logits[2] - logits[1] == pytest.approx(logits[1] - logits[0])
    assert 6.0 < ends[0] - after < 10.0


@pytest.mark.parametrize("form", FORMS)
def test_slopes_are_those_of_the_rise(form):
    def points(after: float, climb: float) -> float:
        return float(rise(form, after_pct=after, climb=climb, untransfused_pct=88.0, turnover=0.6).points)

    at = rise(form, after_pct=16.0, climb=15.0, untransfused_pct=88.0, turnover=0.6)
    assert at.by_after == pytest.approx((points(16.001, 15.0) - points(15.999, 15.0)) / 0.002, abs=1e-6)
    assert at.by_climb == pytest.approx((points(16.0, 15.001) - points(16.0, 14.999)) / 0.002, abs=1e-6)


def test_an_unknown_form_is_refused_with_what_is_allowed():
    with pytest.raises(ValueError, match="allowed are linear, two_pool, logit, graded"):
        rise("cubic", after_pct=10.0, climb=10.0, untransfused_pct=90.0)
