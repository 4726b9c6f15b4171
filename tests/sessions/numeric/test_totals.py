"""Sessions known by their totals only, against the same sessions step by step."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from sessions.numeric.exchange import UNIT_HB_G_L, Start, Step, run_steps
from sessions.numeric.totals import reckon_totals, steps_of_totals

TOTALS = {"saline_in_ml": 500.0, "red_cells_in_ml": 774.0, "blood_out_ml": 1200.0, "units": 3.0}


def test_totals_become_saline_first_with_blood_out_in_proportion():
    steps = steps_of_totals(**TOTALS)
    assert_allclose(steps.in_ml, [500.0, 774.0])
    assert_allclose(steps.out_ml, [1200.0 * 500.0 / 1274.0, 1200.0 * 774.0 / 1274.0])
    assert_allclose(steps.cells_hb_g_l, [0.0, UNIT_HB_G_L])
    assert not steps.saline_assumed


def test_reckoned_session_is_the_one_run_step_by_step():
    reckoned = reckon_totals(blood_volume_ml=4200.0, hb_before_g_l=92.0, **TOTALS)
    share = 1200.0 / 1274.0
    outcome = run_steps(
        Start(4200.0, 92.0, 100.0),
        [Step("saline", 500.0, 500.0 * share), Step("red_cells", 774.0, 774.0 * share, UNIT_HB_G_L)],
    )
    assert_allclose(100.0 * reckoned.hbs_ratio, outcome.hbs_left_pct)
    assert_allclose(100.0 * reckoned.own_left, outcome.own_cells_left_pct)
    assert_allclose(reckoned.hb_settled_g_l, outcome.hb_settled_g_l)
    assert_allclose(reckoned.hb_end_g_l, outcome.hb_post_g_l)
    assert_allclose(reckoned.net_iron_mg, outcome.net_iron_mg)


def orders(saline_ml, units, out_ml):
    """The same totals in four orders that are in use, the last of them rarely."""
    share = out_ml / (saline_ml + 258.0 * units)
    saline = [Step("saline", saline_ml, saline_ml * share)]
    level = [Step("red_cells", 258.0, 258.0 * share, UNIT_HB_G_L)] * units
    draw = out_ml / (units + 1)
    unit = Step("red_cells", 258.0, 0.0, UNIT_HB_G_L)
    half = Step("saline", 0.0, out_ml / units / 2.0)
    return {
        "saline first": saline + level,
        "bleed, saline, then bleed and unit in turn": [
            Step("saline", 0.0, draw),
            Step("saline", saline_ml, 0.0),
            *[Step("saline", 0.0, draw), unit] * units,
        ],
        "bleed, saline, bleed, unit in turn": [half, Step("saline", saline_ml / units, 0.0), half, unit] * units,
        "saline last": level + saline,
    }


@given(
    volume=st.floats(2500.0, 6000.0),
    hb=st.floats(70.0, 115.0),
    units=st.integers(1, 6),
    saline=st.floats(0.05, 0.16),
    out=st.floats(0.8, 1.2),
)
def test_unknown_order_moves_the_ratio_by_a_few_hundredths(volume, hb, units, saline, out):
    """At its worst, with much of a small volume exchanged, another order in use moves the ratio by 5 % and saline
    last by 11 %; own cells left by 3 %. Usually it is a third of that (regression only)."""
    units = min(units, int(0.3 * volume / 258.0))
    saline_ml = saline * volume
    out_ml = out * (saline_ml + 258.0 * units)
    reckoned = reckon_totals(
        blood_volume_ml=volume, hb_before_g_l=hb, saline_in_ml=saline_ml, red_cells_in_ml=258.0 * units,
        blood_out_ml=out_ml, units=units,
    )  # fmt: skip
    for name, steps in orders(saline_ml, units, out_ml).items():
        outcome = run_steps(Start(volume, hb, 100.0), steps)
        off = np.log(outcome.hbs_left_pct / 100.0 / reckoned.hbs_ratio)
        assert abs(off) < (0.115 if name == "saline last" else 0.055), name
        assert abs(np.log(outcome.own_cells_left_pct / 100.0 / reckoned.own_left)) < 0.035, name


def test_the_sd_of_the_ratio_covers_sessions_run_with_other_volumes_and_orders():
    """Truth drawn with the errors stated in `uncertainty`, in an order drawn from those in use; the ratio
    lies within one SD in 60 to 76 of 100 sessions, as a normal spread would have it in 68."""
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(600):
        volume, hb, units = rng.uniform(2500, 5500), rng.uniform(75, 110), int(rng.integers(2, 5))
        saline_ml = rng.uniform(0.08, 0.14) * volume
        out_ml = (saline_ml + 258.0 * units) * rng.uniform(0.9, 1.1)
        reckoned = reckon_totals(
            blood_volume_ml=volume, hb_before_g_l=hb, saline_in_ml=saline_ml, red_cells_in_ml=258.0 * units,
            blood_out_ml=out_ml, units=units,
        )  # fmt: skip
        order = rng.choice(["saline first", "bleed, saline, bleed, unit in turn"])
        given_error, drawn_error = 1.0 + 0.03 * rng.standard_normal(), 1.0 + 0.04 * rng.standard_normal()
        steps = [
            Step(
                step.fluid,
                step.in_ml * given_error,
                step.out_ml * drawn_error,
                step.hb_g_l * (1.0 + 0.1 * rng.standard_normal()),
            )
            for step in orders(saline_ml, units, out_ml)[order]
        ]
        true_volume = volume * (1.0 + 0.1 * rng.standard_normal())
        truth = run_steps(Start(true_volume, hb + 1.5 * rng.standard_normal(), 100.0), steps).hbs_left_pct / 100.0
        inside.append(abs(truth - reckoned.hbs_ratio) < reckoned.hbs_ratio_sd)
    assert 0.60 < np.mean(inside) < 0.76


def test_missing_saline_is_what_makes_the_session_level_and_is_said():
    reckoned = reckon_totals(
        blood_volume_ml=4200.0, hb_before_g_l=92.0, saline_in_ml=np.array([np.nan, 426.0]), red_cells_in_ml=774.0,
        blood_out_ml=1200.0, units=3.0,
    )  # fmt: skip
    assert_array_equal(reckoned.saline_assumed, [True, False])
    assert_allclose(reckoned.hbs_ratio[0], reckoned.hbs_ratio[1])
    assert reckoned.hbs_ratio_sd[0] > reckoned.hbs_ratio_sd[1]


def test_missing_volume_of_red_cells_goes_by_the_number_of_units_and_back():
    by_count = steps_of_totals(saline_in_ml=500.0, red_cells_in_ml=np.nan, blood_out_ml=1200.0, units=3.0)
    by_volume = steps_of_totals(saline_in_ml=500.0, red_cells_in_ml=774.0, blood_out_ml=1200.0)
    assert_allclose(by_count.in_ml, by_volume.in_ml)
    assert_allclose(by_count.cells_hb_g_l, by_volume.cells_hb_g_l)


def test_haemoglobin_goes_by_units_unless_their_number_contradicts_the_volume():
    dilute = steps_of_totals(saline_in_ml=500.0, red_cells_in_ml=900.0, blood_out_ml=1200.0, units=3.0)
    wrong = steps_of_totals(saline_in_ml=500.0, red_cells_in_ml=900.0, blood_out_ml=1200.0, units=30.0)
    assert dilute.cells_hb_g_l[1] == pytest.approx(150.0 / 0.9)
    assert wrong.cells_hb_g_l[1] == pytest.approx(UNIT_HB_G_L)


def test_what_cannot_be_reckoned_is_nan_and_leaves_the_other_rows_alone():
    nothing = np.nan
    reckoned = reckon_totals(
        blood_volume_ml=[4200.0, 4200.0, 4200.0, nothing, 4200.0],
        hb_before_g_l=[92.0, nothing, 92.0, 92.0, 92.0],
        saline_in_ml=500.0,
        red_cells_in_ml=[774.0, 774.0, nothing, 774.0, 774.0],
        blood_out_ml=[1200.0, 1200.0, 1200.0, 1200.0, 9000.0],
    )
    assert_array_equal(np.isnan(reckoned.hbs_ratio), [False, True, True, True, True])
    assert_array_equal(np.isnan(reckoned.hbs_ratio_sd), [False, True, True, True, True])
    assert_array_equal(np.isnan(reckoned.own_left), [False, False, True, True, True])


def test_a_bleed_alone_leaves_the_ratio_at_one():
    reckoned = reckon_totals(
        blood_volume_ml=4200.0, hb_before_g_l=92.0, saline_in_ml=0.0, red_cells_in_ml=0.0, blood_out_ml=450.0
    )
    assert reckoned.hbs_ratio == pytest.approx(1.0)
    assert reckoned.own_left == pytest.approx(1.0 - 450.0 / 4200.0)


def test_many_rows_are_the_same_as_one_by_one_across_blocks():
    rng = np.random.default_rng(2)
    n = 70_000
    rows = {
        "blood_volume_ml": rng.uniform(2000, 6000, n), "hb_before_g_l": rng.uniform(70, 110, n),
        "saline_in_ml": rng.uniform(0, 700, n), "red_cells_in_ml": rng.uniform(260, 1300, n),
        "blood_out_ml": rng.uniform(300, 1500, n),
    }  # fmt: skip
    together = reckon_totals(**rows)
    for i in (0, 32_767, 32_768, 65_536, n - 1):
        alone = reckon_totals(**{name: values[i] for name, values in rows.items()})
        assert_allclose(together.hbs_ratio[i], alone.hbs_ratio)
        assert_allclose(together.hbs_ratio_sd[i], alone.hbs_ratio_sd)
    assert reckon_totals(**{name: values[:0] for name, values in rows.items()}).hbs_ratio.shape == (0,)


def test_impossible_figures_are_refused_by_name():
    with pytest.raises(ValueError, match="out_ml must be finite, at least 0, but holds"):
        reckon_totals(blood_volume_ml=4200.0, hb_before_g_l=92.0, **{**TOTALS, "blood_out_ml": -5.0})
