"""The edges of the session arithmetic: limits, pools, bulk runs, missing and impossible figures."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from sessions.numeric.exchange import UNIT_HB_G_L, Start, Step, run_many, run_steps
from sessions.numeric.wash import inverse_mean_volume, own_removal

START = Start(4200.0, 90.0, 45.0, 60.0)
FIGURES = {"blood_volume_ml": 4200.0, "hb_g_l": 90.0, "hbs_pct": 45.0}


@given(
    volume=st.floats(200.0, 8000.0),
    in_ml=st.floats(1.0, 900.0),
    power=st.integers(1, 16),
    sign=st.sampled_from([-1, 1]),
)
def test_volumes_nearly_level_pass_smoothly_into_level(volume, in_ml, power, sign):
    """The logarithmic mean of V and V(1 + x) is V(1 + x/2 − x²/12 + …); its reciprocal must keep all its
    digits."""
    x = sign * 10.0**-power
    change = x * volume
    series = (1.0 - x / 2.0 + x * x / 3.0 - x**3 / 4.0) / volume
    assert_allclose(inverse_mean_volume(volume, change), series, rtol=max(abs(x) ** 4, 4e-16))
    assert inverse_mean_volume(volume, 0.0) == 1.0 / volume


@given(drawn=st.floats(1.0, 1500.0), power=st.integers(2, 12))
def test_a_drop_of_fluid_tends_to_bleeding_only(drawn, power):
    only = run_steps(START, [Step("saline", 0.0, drawn)])
    drop = run_steps(START, [Step("saline", 10.0**-power, drawn)])
    assert only.hb_post_g_l == START.hb_g_l
    assert_allclose(only.own_cells_left_pct, 100.0 * (1.0 - drawn / 4200.0), rtol=1e-12)
    assert_allclose(drop.hb_post_g_l, only.hb_post_g_l, rtol=10.0**-power)
    assert_allclose(drop.own_cells_left_pct, only.own_cells_left_pct, rtol=10.0**-power)


@given(given_ml=st.floats(1.0, 1500.0), power=st.integers(2, 12))
def test_a_drop_of_blood_tends_to_giving_only(given_ml, power):
    only = run_steps(START, [Step("red_cells", given_ml, 0.0, 194.0)])
    drop = run_steps(START, [Step("red_cells", given_ml, 10.0**-power, 194.0)])
    assert_allclose(only.own_cells_left_pct, 100.0, rtol=1e-14)
    assert_allclose(only.donor_hb_kept_pct, 100.0, rtol=1e-14)
    mixed = (90.0 * 4200.0 + 194.0 * given_ml) / (4200.0 + given_ml)
    assert_allclose(only.hb_post_g_l, mixed, rtol=1e-13)
    assert_allclose(drop.hb_post_g_l, only.hb_post_g_l, rtol=10.0**-power)
    assert_allclose(drop.own_cells_left_pct, only.own_cells_left_pct, rtol=10.0**-power)


def test_a_step_of_nothing_does_nothing():
    nothing = run_steps(START, [Step("saline", 0.0, 0.0)])
    assert nothing.hb_post_g_l == START.hb_g_l
    assert nothing.hbs_post_pct == START.hbs_pct
    assert nothing.own_cells_left_pct == 100.0
    assert nothing.net_iron_mg == 0.0
    assert math.isnan(nothing.donor_hb_kept_pct)


def test_share_of_own_cells_left_and_share_of_hbs_left_differ_when_hb_changes():
    rising = run_steps(START, [Step("red_cells", 258.0, 0.0, UNIT_HB_G_L)])
    assert rising.own_cells_left_pct == pytest.approx(100.0)
    assert rising.hbs_left_pct < 90.0


def test_pools_are_told_apart_by_the_untransfused_share_and_drained_alike():
    start = Start(4000.0, 100.0, 36.0, 60.0, untransfused_pct=90.0)
    outcome = run_steps(start, [Step("red_cells", 800.0, 1000.0, 190.0), Step("saline", 300.0, 100.0)])
    left = outcome.own_cells_left_pct / 100.0
    assert outcome.own_hb_g == pytest.approx(0.4 * 400.0 * left)
    assert outcome.earlier_donor_hb_g == pytest.approx(0.6 * 400.0 * left)
    today_g = outcome.donor_hb_given_g * outcome.donor_hb_kept_pct / 100.0
    total_g = outcome.own_hb_g + outcome.earlier_donor_hb_g + today_g
    assert total_g == pytest.approx(outcome.hb_settled_g_l * 4.0)
    assert outcome.hbs_post_pct == pytest.approx(90.0 * outcome.own_hb_g / total_g)


def test_early_loss_touches_settled_values_only():
    steps = [Step("red_cells", 774.0, 900.0, UNIT_HB_G_L)]
    kept, lost = run_steps(START, steps), run_steps(START, steps, early_loss=0.25)
    donor_g = kept.donor_hb_given_g * kept.donor_hb_kept_pct / 100.0
    assert lost.hb_post_g_l == kept.hb_post_g_l
    assert lost.hbs_post_pct == kept.hbs_post_pct == kept.hbs_settled_pct
    assert lost.net_iron_mg == kept.net_iron_mg
    assert lost.hb_settled_g_l == pytest.approx(kept.hb_settled_g_l - 0.25 * donor_g / 4.2)
    assert lost.hbs_settled_pct == pytest.approx(kept.hbs_post_pct * kept.hb_settled_g_l / lost.hb_settled_g_l)


def test_mixing_rules_haemoglobin_and_never_the_balance():
    steps = [Step("saline", 100.0, 500.0), Step("red_cells", 774.0, 400.0, UNIT_HB_G_L)]
    plain, personal = run_steps(START, steps), run_steps(START, steps, mixing=0.87)
    smaller = run_steps(Start(0.87 * 4200.0, 90.0, 45.0, 60.0), steps)
    assert personal.hbs_post_pct == pytest.approx(smaller.hbs_post_pct)
    assert personal.hb_settled_g_l == pytest.approx(smaller.hb_settled_g_l)
    assert personal.hbs_post_pct < plain.hbs_post_pct
    assert personal.deepest_deficit_ml == plain.deepest_deficit_ml == 400.0
    assert personal.deepest_deficit_ml_per_kg == pytest.approx(400.0 / 60.0)
    assert personal.blood_volume_ml == 4200.0


def test_balance_is_shown_with_and_without_saline():
    outcome = run_steps(START, [Step("saline", 500.0, 500.0), Step("red_cells", 258.0, 200.0, UNIT_HB_G_L)])
    assert [step.balance_ml for step in outcome.steps] == [0.0, 58.0]
    assert [step.balance_without_saline_ml for step in outcome.steps] == [-500.0, -442.0]


def test_many_sessions_at_once_are_the_same_as_one_after_the_other():
    rng = np.random.default_rng(20)
    volume, hb, hbs = rng.uniform(2000, 6000, (7, 1)), rng.uniform(60, 120, (7, 1)), rng.uniform(10, 90, 5)
    given_ml, drawn_ml = rng.uniform(0, 400, (5, 4)), rng.uniform(0, 400, (7, 1, 4))
    cells_hb = np.array([0.0, 190.0, 0.0, 210.0])
    many = run_many(
        blood_volume_ml=volume, hb_g_l=hb, hbs_pct=hbs, in_ml=given_ml, out_ml=drawn_ml, cells_hb_g_l=cells_hb
    )
    assert many.hbs.shape == (7, 5)
    assert many.step_hb.shape == (7, 5, 4)
    for i in range(7):
        for j in range(5):
            steps = [
                Step("red_cells" if c else "saline", a, b, c)
                for a, b, c in zip(given_ml[j], drawn_ml[i, 0], cells_hb, strict=True)
            ]
            one = run_steps(Start(volume[i, 0], hb[i, 0], hbs[j]), steps)
            assert_allclose(many.hbs[i, j], one.hbs_post_pct, rtol=1e-13)
            assert_allclose(many.hb_settled[i, j], one.hb_settled_g_l, rtol=1e-13)
            assert_allclose(100.0 * many.donor_kept[i, j], one.donor_hb_kept_pct, rtol=1e-13)
            assert_allclose(many.step_hbs[i, j], [step.hbs_pct for step in one.steps], rtol=1e-13)
            assert_allclose(many.net_iron_mg[i, j], one.net_iron_mg, rtol=1e-9, atol=1e-9)


def test_padding_steps_change_nothing():
    bare = run_many(**FIGURES, in_ml=[500.0, 258.0], out_ml=[500.0, 300.0], cells_hb_g_l=[0.0, 194.0])
    padded = run_many(**FIGURES, in_ml=[500.0, 258.0, 0.0], out_ml=[500.0, 300.0, 0.0], cells_hb_g_l=[0.0, 194.0, 0.0])
    for name in ("hb_end", "hb_settled", "hbs", "own_left", "donor_kept", "lowest_hb", "highest_hb", "net_iron_mg"):
        assert getattr(padded, name) == getattr(bare, name)


def test_removal_is_minus_the_logarithm_of_own_cells_left():
    given_ml, drawn_ml = np.array([500.0, 0.0, 774.0]), np.array([300.0, 400.0, 500.0])
    many = run_many(**FIGURES, in_ml=given_ml, out_ml=drawn_ml, cells_hb_g_l=[0.0, 0.0, 194.0])
    removal = own_removal(blood_volume_ml=[4200.0, 4200.0], in_ml=given_ml, out_ml=drawn_ml)
    assert_allclose(removal, np.full(2, -np.log(many.own_left)), rtol=1e-13)


def test_a_missing_figure_gives_nan_in_what_depends_on_it_and_nothing_else():
    many = run_many(
        blood_volume_ml=[4200.0, np.nan], hb_g_l=90.0, hbs_pct=45.0, in_ml=[500.0], out_ml=[500.0], cells_hb_g_l=[0.0]
    )
    assert_array_equal(np.isnan(many.hb_end), [False, True])
    assert_array_equal(many.deepest_deficit, [0.0, 0.0])
    no_hbs = run_many(**{**FIGURES, "hbs_pct": np.nan}, in_ml=[500.0], out_ml=[500.0], cells_hb_g_l=[0.0])
    assert np.isnan(no_hbs.hbs)
    assert no_hbs.own_left == pytest.approx(math.exp(-500.0 / 4200.0))


def test_a_session_that_would_draw_everything_is_refused_alone_and_nan_among_many():
    with pytest.raises(ValueError, match=r"step 2 would draw more blood than there is \(4200 mL\)"):
        run_steps(START, [Step("saline", 0.0, 3000.0), Step("saline", 0.0, 1200.0)])
    many = run_many(
        **FIGURES,
        in_ml=[[0.0, 5000.0], [0.0, 500.0]],
        out_ml=[[4200.0, 0.0], [500.0, 0.0]],
        cells_hb_g_l=0.0 * np.ones(2),
    )
    assert_array_equal(np.isnan(many.hbs), [True, False])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"blood_volume_ml": 0.0}, "blood_volume_ml must be finite, more than 0, but holds 0"),
        ({"blood_volume_ml": np.inf}, "blood_volume_ml must be finite"),
        ({"hb_g_l": -1.0}, "hb_g_l must be finite, more than 0, but holds -1"),
        ({"hbs_pct": 101.0}, "hbs_pct must be finite, at least 0 and at most 100, but holds 101"),
        ({"in_ml": [-5.0]}, "in_ml must be finite, at least 0, but holds -5"),
        ({"out_ml": [np.inf]}, "out_ml must be finite, at least 0, but holds inf"),
        ({"cells_hb_g_l": [-2.0]}, "cells_hb_g_l must be finite"),
        ({"mixing": 0.0}, "mixing must be finite, more than 0"),
        ({"early_loss": 0.3}, "early_loss must be finite, at least 0 and at most 0.25, but holds 0.3"),
        ({"in_ml": 5.0}, r"in_ml needs a last axis with at least one step, but has shape \(\)"),
    ],
)
def test_impossible_figures_are_refused_by_name(change, words):
    figures = {**FIGURES, "in_ml": [100.0], "out_ml": [100.0], "cells_hb_g_l": [0.0], **change}
    with pytest.raises(ValueError, match=words):
        run_many(**figures)


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        ([], "at least one step"),
        ([Step("saline", 100.0, 0.0, 190.0)], "step 1: saline holds no haemoglobin, but 190 g/L was given"),
        ([Step("red_cells", 100.0, 0.0)], "step 1: red cells need their haemoglobin"),
        ([Step("plasma", 100.0, 0.0)], "step 1: fluid must be 'saline' or 'red_cells', not 'plasma'"),
    ],
)
def test_impossible_steps_are_refused_by_number(steps, words):
    with pytest.raises(ValueError, match=words):
        run_steps(START, steps)


def test_a_weight_of_nought_is_refused():
    with pytest.raises(ValueError, match="weight_kg must be finite, more than 0, but holds 0"):
        run_steps(Start(4200.0, 90.0, 45.0, 0.0), [Step("saline", 100.0, 100.0)])
