"""An automated session as totals: at level Hb as published, and its choice of units."""

import numpy as np
import pytest

from programme.planning.numeric.automated import plan_automated, totals


def test_level_hb_follows_the_published_exponential(make_before, cells):
    # Fraction of the patient's own cells left e^(−cells removed/red cell mass) at level haematocrit: continuous case of
    # Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74.
    before = make_before(hb=90.0, hb_sd=0.0, volume=5000.0, rel_sd=0.0)
    plan = totals(before, np.array([80.0]), np.array([90.0]), np.array([6.0]), cells)
    assert plan.hbs_after_pct[0] == pytest.approx(80.0 * np.exp(-300.0 / 450.0), rel=1e-9)
    assert plan.net_iron_mg[0] == pytest.approx(0.0, abs=1e-6)


def test_fewest_units_for_the_target_with_hb_kept(make_before, make_limits, cells):
    before, limits = make_before(2, hb=[92.0, 76.0]), make_limits(2)
    plan, menu = plan_automated(
        before=before, hbs_before_pct=np.full(2, 35.0), end_target_pct=np.full(2, 18.0), cells=cells, limits=limits
    )
    assert plan.reached.all()
    assert (plan.hbs_after_pct <= 18.0).all()
    for p in (0, 1):
        fewer = menu[int(plan.units[p]) - 2]
        assert fewer.hbs_after_pct[p] > 18.0
    assert plan.hb_end_g_l[0] == pytest.approx(92.0)
    assert plan.hb_end_g_l[1] == pytest.approx(80.0)  # lifted to the warning floor
    assert (np.diff([row.hbs_after_pct[0] for row in menu]) < 0.0).all()


def test_a_high_start_is_set_lower(make_before, make_limits, cells):
    before, limits = make_before(hb=114.0), make_limits()
    plan, _ = plan_automated(
        before=before, hbs_before_pct=np.array([35.0]), end_target_pct=np.array([18.0]), cells=cells, limits=limits
    )
    assert plan.hb_end_g_l[0] < 110.0


def test_out_of_reach_is_said(make_before, make_limits, cells):
    plan, _ = plan_automated(
        before=make_before(), hbs_before_pct=np.array([90.0]), end_target_pct=np.array([5.0]), cells=cells,
        limits=make_limits(units_most=4.0),
    )  # fmt: skip
    assert not plan.reached[0]
    assert plan.units[0] == 4


def test_no_more_is_drawn_of_a_child_than_may_be(make_before, make_limits, cells):
    # By hand: 22 kg at 50 mL/kg are 1,100 mL; four units of 258 mL are 1,032.
    plan, _ = plan_automated(
        before=make_before(hb=92.0, volume=1600.0), hbs_before_pct=np.array([60.0]), end_target_pct=np.array([5.0]),
        cells=cells, limits=make_limits(weight=22.0),
    )  # fmt: skip
    assert (plan.units[0], plan.reached[0]) == (4, False)
    assert plan.blood_out_ml[0] == pytest.approx(1032.0)
