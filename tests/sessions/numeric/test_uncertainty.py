"""Propagated spread of an outcome against plain sampling of the session's arithmetic."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sessions.numeric.exchange import UNIT_HB_G_L, run_many
from sessions.numeric.uncertainty import outcome_spread

CELLS = UNIT_HB_G_L
SESSIONS = {
    "saline first, level": ([700.0, 258.0, 258.0, 258.0], [700.0, 258.0, 258.0, 258.0], [0.0, CELLS, CELLS, CELLS]),
    "one arm": (
        [0.0, 500.0, 0.0, 258.0, 258.0, 0.0],
        [500.0, 0.0, 500.0, 0.0, 0.0, 350.0],
        [0.0, 0.0, 0.0, CELLS, CELLS, 0.0],
    ),
    "not level": ([400.0, 774.0, 200.0], [650.0, 500.0, 100.0], [0.0, CELLS, 0.0]),
    "two units and a half": ([645.0], [1200.0], [CELLS]),
}
NAMES = {"hbs": "hbs", "hbs_ratio": "hbs_ratio", "hb_end": "hb_end", "hb_settled": "hb_settled"}
NONE = {
    "blood_volume_rel_sd": 0.0, "fluid_in_rel_sd": 0.0, "blood_out_rel_sd": 0.0,
    "unit_hb_sd_g": 0.0, "hb_sd_g_l": 0.0, "hbs_sd_pct": 0.0,
}  # fmt: skip


def sampled(steps, *, shrink, n=200_000, seed=8):
    """Outcomes of the session with every figure drawn anew, all errors `shrink` times those of
    `outcome_spread`."""
    in_ml, out_ml, cells_hb = (np.array(values) for values in steps)
    rng = np.random.default_rng(seed)
    units = np.maximum(in_ml * cells_hb / 1000.0 / 50.0, 1e-9)
    return run_many(
        blood_volume_ml=4200.0 * (1.0 + shrink * 0.10 * rng.standard_normal(n)),
        hb_g_l=95.0 + shrink * 1.5 * rng.standard_normal(n),
        hbs_pct=45.0 + shrink * 1.0 * rng.standard_normal(n),
        in_ml=in_ml * (1.0 + shrink * 0.03 * rng.standard_normal((n, 1))),
        out_ml=out_ml * (1.0 + shrink * 0.04 * rng.standard_normal((n, 1))),
        cells_hb_g_l=cells_hb * (1.0 + shrink * 0.10 / np.sqrt(units) * rng.standard_normal((n, in_ml.size))),
    )


def spread_of(steps, *, shrink=1.0):
    in_ml, out_ml, cells_hb = steps
    return outcome_spread(
        blood_volume_ml=4200.0, hb_g_l=95.0, hbs_pct=45.0, in_ml=in_ml, out_ml=out_ml, cells_hb_g_l=cells_hb,
        blood_volume_rel_sd=0.10 * shrink, fluid_in_rel_sd=0.03 * shrink, blood_out_rel_sd=0.04 * shrink,
        unit_hb_sd_g=5.0 * shrink, hb_sd_g_l=1.5 * shrink, hbs_sd_pct=1.0 * shrink,
    )  # fmt: skip


@pytest.mark.parametrize("name", SESSIONS)
def test_small_errors_spread_exactly_as_sampled(name):
    """At a tenth of the usual errors the first order is exact; 200,000 samples fix an SD to 0.2 %."""
    spread, many = spread_of(SESSIONS[name], shrink=0.1), sampled(SESSIONS[name], shrink=0.1)
    for of_spread, of_many in NAMES.items():
        assert_allclose(getattr(spread, of_spread), getattr(many, of_many).std(), rtol=0.01)
    correlation = np.corrcoef(many.hbs, many.hb_settled)[0, 1]
    assert spread.hbs_hb_correlation == pytest.approx(correlation, abs=0.01)


@pytest.mark.parametrize("name", SESSIONS)
def test_usual_errors_spread_as_sampled_within_a_few_hundredths(name):
    spread, many = spread_of(SESSIONS[name]), sampled(SESSIONS[name], shrink=1.0)
    for of_spread, of_many in NAMES.items():
        assert_allclose(getattr(spread, of_spread), getattr(many, of_many).std(), rtol=0.04)


@pytest.mark.parametrize("name", SESSIONS)
def test_the_unfavourable_tenth_is_where_sampling_puts_it(name):
    """What the limits are judged by: p90 of HbS after and of the highest Hb, p10 of the lowest Hb."""
    in_ml, out_ml, cells_hb = SESSIONS[name]
    central = run_many(
        blood_volume_ml=4200.0, hb_g_l=95.0, hbs_pct=45.0, in_ml=in_ml, out_ml=out_ml, cells_hb_g_l=cells_hb
    )
    spread, many = spread_of(SESSIONS[name]), sampled(SESSIONS[name], shrink=1.0)
    z = 1.2815515655446004
    assert central.hbs + z * spread.hbs == pytest.approx(np.quantile(many.hbs, 0.9), abs=0.25)
    assert central.highest_hb + z * spread.highest_hb == pytest.approx(np.quantile(many.highest_hb, 0.9), abs=0.6)
    assert central.lowest_hb - z * spread.lowest_hb == pytest.approx(np.quantile(many.lowest_hb, 0.1), abs=0.6)


def test_cutting_a_unit_in_two_changes_nothing():
    whole = spread_of(([258.0, 258.0], [258.0, 258.0], [CELLS, CELLS]))
    halves = spread_of(([129.0] * 4, [129.0] * 4, [CELLS] * 4))
    assert_allclose(halves.hbs, whole.hbs, rtol=1e-3)
    assert_allclose(halves.hb_settled, whole.hb_settled, rtol=1e-3)


def test_without_errors_nothing_spreads():
    in_ml, out_ml, cells_hb = SESSIONS["not level"]
    spread = outcome_spread(
        blood_volume_ml=4200.0, hb_g_l=95.0, hbs_pct=45.0, in_ml=in_ml, out_ml=out_ml, cells_hb_g_l=cells_hb, **NONE
    )
    assert spread.hbs == spread.hb_end == spread.hb_settled == spread.highest_hb == spread.lowest_hb == 0.0
    assert np.isnan(spread.hbs_hb_correlation)


def test_an_error_of_hbs_alone_shrinks_with_the_hbs_itself():
    in_ml, out_ml, cells_hb = SESSIONS["one arm"]
    figures = {"blood_volume_ml": 4200.0, "hb_g_l": 95.0, "in_ml": in_ml, "out_ml": out_ml, "cells_hb_g_l": cells_hb}
    spread = outcome_spread(**figures, hbs_pct=45.0, **{**NONE, "hbs_sd_pct": 2.0})
    assert_allclose(spread.hbs, 2.0 * run_many(**figures, hbs_pct=45.0).hbs_ratio, rtol=1e-12)
    assert spread.hbs_ratio == 0.0


def test_many_sessions_at_once_are_the_same_as_one_by_one():
    rng = np.random.default_rng(5)
    volume, in_ml, out_ml = rng.uniform(2500, 6000, 6), rng.uniform(0, 400, (6, 3)), rng.uniform(0, 400, (6, 3))
    volume_sd = rng.uniform(0.03, 0.12, 6)
    cells_hb = np.array([0.0, CELLS, CELLS])
    figures = {"hb_g_l": 95.0, "hbs_pct": 45.0, "cells_hb_g_l": cells_hb}
    many = outcome_spread(blood_volume_ml=volume, in_ml=in_ml, out_ml=out_ml, blood_volume_rel_sd=volume_sd, **figures)
    for i in range(6):
        one = outcome_spread(
            blood_volume_ml=volume[i], in_ml=in_ml[i], out_ml=out_ml[i], blood_volume_rel_sd=volume_sd[i], **figures
        )
        for name in ("hbs", "hb_end", "hb_settled", "highest_hb", "lowest_hb", "hbs_hb_correlation"):
            assert_allclose(getattr(many, name)[i], getattr(one, name), rtol=1e-12)


def test_missing_figures_stay_missing():
    spread = outcome_spread(
        blood_volume_ml=[4200.0, np.nan], hb_g_l=95.0, hbs_pct=45.0, in_ml=[500.0], out_ml=[500.0], cells_hb_g_l=[0.0]
    )
    assert np.isfinite(spread.hbs[0])
    assert np.isnan(spread.hbs[1])
