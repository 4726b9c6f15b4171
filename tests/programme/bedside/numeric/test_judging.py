"""A session laid out by hand: its figures against the exact arithmetic and against an independent second version, and
each limit just held and just passed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.bedside.numeric.judging import judge, judge_automated
from programme.bedside.numeric.laid import SETTING_OF, Ground, Laid, LimitFound, Spread, apart, units_of
from programme.core.numeric.setting_table import DEFAULTS
from programme.planning.numeric.limits import limits_for
from sessions.numeric.exchange import Start, Step, run_steps

GROUND = Ground(
    weight_kg=58.0, blood_volume_ml=3700.0, mixing=1.05, mixing_rel_sd=0.05, hb_g_l=94.0, hb_sd_g_l=1.5, hbs_pct=30.4,
    hbs_sd_pct=1.0, unit_volume_ml=258.0, unit_hb_g=50.0, early_loss=0.0, iron_mg_per_g=3.4, draw_ml=250.0,
    rounding_ml=10.0,
)  # fmt: skip
HARD = {name: DEFAULTS[name] >= 1.0 for name in SETTING_OF.values()}
CELLS = 1000.0 * 50.0 / 258.0


def limits(**own):
    return limits_for(weight_kg=own.pop("weight_kg", 58.0), **own)


def saline(in_ml, out_ml):
    return Laid("saline", in_ml, out_ml)


def cells(in_ml, out_ml):
    return Laid("red_cells", in_ml, out_ml, CELLS)


PLAN = (cells(258, 250), saline(350, 350), cells(516, 500), saline(300, 300), cells(516, 500))


def row(judged, name):
    return next(limit for limit in judged.limits if limit.name == name)


def test_each_moment_is_that_of_the_exact_arithmetic():
    """`run_steps` is held against its published and independent values by its own tests."""
    judged = judge(GROUND, PLAN, limits(), HARD)
    done = run_steps(Start(3700.0, 94.0, 30.4), [Step(s.fluid, s.in_ml, s.out_ml, s.hb_g_l) for s in PLAN], mixing=1.05)
    for moment, state in zip(judged.moments, done.steps, strict=True):
        assert moment.hb_g_l.p50 == pytest.approx(state.hb_g_l)
        assert moment.hbs_pct.p50 == pytest.approx(state.hbs_pct)
        assert moment.balance_ml == pytest.approx(state.balance_ml)
        assert moment.balance_without_saline_ml == pytest.approx(state.balance_without_saline_ml)
        assert moment.hb_g_l.p10 < moment.hb_g_l.p50 < moment.hb_g_l.p90
    assert judged.hb_settled.p50 == pytest.approx(done.hb_settled_g_l)
    assert judged.hbs.p50 == pytest.approx(done.hbs_settled_pct)
    assert judged.net_iron_mg == pytest.approx(done.net_iron_mg)


def test_the_unfavourable_tenth_agrees_with_drawn_sessions():
    """Independent computation: 40,000 sessions with errors drawn from the stated spreads (fixed seed)."""
    judged = judge(GROUND, PLAN, limits(), HARD)
    rng, n = np.random.default_rng(20260601), 40_000
    volume = 3700.0 * 1.05 * (1.0 + 0.05 * rng.standard_normal(n))
    hb = 94.0 + 1.5 * rng.standard_normal(n)
    start = hb.copy()
    lowest, highest = hb.copy(), hb.copy()
    balance = np.zeros(n)
    for step in PLAN:
        units = step.in_ml / 258.0
        unit_g = 50.0 + 5.0 / math.sqrt(units) * rng.standard_normal(n)
        fluid = 0.0 if step.fluid == "saline" else 1000.0 * unit_g / 258.0
        now, after = volume + balance, volume + balance + step.in_ml - step.out_ml
        turn = step.in_ml * np.where(
            step.in_ml == step.out_ml, 1.0 / now, np.log(after / now) / np.where(after == now, 1.0, after - now)
        )
        hb = fluid + (hb - fluid) * np.exp(-turn)
        balance = balance + step.in_ml - step.out_ml
        lowest, highest = np.minimum(lowest, hb), np.maximum(highest, hb)
    settled = hb * (volume + balance) / volume
    assert judged.hb_settled.p90 == pytest.approx(np.quantile(settled, 0.9), abs=0.5)
    assert min(m.hb_g_l.p10 for m in judged.moments) == pytest.approx(np.quantile(lowest, 0.1), abs=1.0)
    assert row(judged, "rise").reached == pytest.approx(np.quantile(settled - start, 0.9), abs=0.5)


def test_one_draw_runs_ahead_of_the_fluid():
    """Written out by hand: 350 as 250 and 100, level; after the first bag 250 mL are out and nothing is in."""
    judged = judge(GROUND, (saline(350, 350), cells(258, 250)), limits(), HARD)
    assert judged.deepest_ml == pytest.approx(-250.0)
    alone = judge(GROUND, (saline(350, 350), saline(0, 400), cells(516, 100)), limits(), HARD)
    assert alone.deepest_ml == pytest.approx(-500.0)  # bags without return add up, and the next one is ahead again


@pytest.mark.parametrize(
    ("name", "held", "passed", "own"),
    [
        ("saline", (saline(870, 870), cells(516, 500)), (saline(880, 880), cells(516, 500)), {}),  # 15 mL/kg
        ("draw", (saline(0, 464), cells(516, 0)), (saline(0, 470), cells(516, 0)), {}),  # 8 mL/kg
        ("balance", (cells(348, 0),), (cells(355, 0),), {}),  # 6 mL/kg
        ("units", (cells(258 * 4, 1000),), (cells(258 * 5, 1250),), {"units_most": 4}),
        ("blood_out", tuple([cells(258, 250)] * 14), tuple([cells(258, 250)] * 15), {"units_most": 20}),
    ],
)
def test_each_volume_just_held_and_just_passed(name, held, passed, own):
    assert row(judge(GROUND, held, limits(**own), HARD), name).state == "ok"
    found = row(judge(GROUND, passed, limits(**own), HARD), name)
    assert found.state == "stop"
    assert found.reached > found.allowed


def test_a_hard_stop_is_named_by_its_setting():
    steps = (saline(0, 470), cells(516, 60))
    assert row(judge(GROUND, steps, limits(), HARD), "draw").hard
    assert not row(judge(GROUND, steps, limits(), HARD | {"hard_single_draw": False}), "draw").hard
    assert row(judge(GROUND, steps, limits(), HARD), "draw").stored()["setting"] == "hard_single_draw"


def test_hb_warns_and_stops_at_the_unfavourable_tenth():
    wide = limits(hb_ceiling_g_l=110.0)
    warned = judge(GROUND, (cells(258 * 3, 750),), wide, HARD)
    assert (row(warned, "hb_after").state, row(warned, "hb_after").allowed) == ("warn", 110.0)
    assert row(warned, "hb_after").reached > warned.hb_settled.p50
    stopped = judge(GROUND, (cells(258 * 6, 1300),), wide, HARD)
    assert (row(stopped, "hb_after").state, row(stopped, "hb_after").allowed) == ("stop", 120.0)


def test_the_floor_stops_and_a_low_start_is_not_held_against_a_session_that_only_lifts_it():
    low = judge(GROUND, (saline(870, 870), saline(870, 870), cells(1032, 1000)), limits(), HARD)
    assert row(low, "hb_floor").state == "stop"
    rising = judge(replace(GROUND, hb_g_l=62.0), (cells(258, 0), cells(258, 250)), limits(), HARD)
    assert row(rising, "hb_floor").state == "ok"
    assert "no lower than it starts" in row(rising, "hb_floor").words


def test_saline_first_needs_a_reason_only_where_a_flag_forbids_it():
    steps = (saline(300, 300), cells(516, 500))
    flagged = judge(GROUND, steps, limits(organ_flag=True), HARD)
    assert (row(flagged, "saline_first").state, row(flagged, "saline_first").hard) == ("stop", False)
    assert all(limit.name != "saline_first" for limit in judge(GROUND, steps, limits(), HARD).limits)
    turned = judge(GROUND, steps[::-1], limits(organ_flag=True), HARD)
    assert all(limit.name != "saline_first" for limit in turned.limits)


@pytest.mark.parametrize("steps", [(), tuple([saline(10, 10)] * 41), (saline(0, 3000), saline(0, 3000))])
def test_what_cannot_be_carried_out_is_refused(steps):
    with pytest.raises(ValueError, match=r"steps|more blood"):
        judge(GROUND, steps, limits(), HARD)


def test_a_step_of_both_is_parted_for_one_arm_in_the_order_it_is_done():
    """Who is given first has the balance of a unit over; who is drawn first that of a draw under, by hand."""
    both = (cells(258, 250), saline(0, 200), saline(200, 0))
    given, drawn = (apart(both, gives_first=first) for first in (True, False))
    assert given == (cells(258, 0), saline(0, 250), *both[1:])
    assert drawn == (saline(0, 250), cells(258, 0), *both[1:])
    found = [judge(GROUND, steps, limits(), HARD) for steps in (given, drawn)]
    assert [(round(one.deepest_ml), round(one.highest_ml)) for one in found] == [(-192, 258), (-250, 8)]
    assert [moment.units for moment in found[0].moments] == [(1,), (), (), ()]


@pytest.mark.parametrize("value", [96.46, 96.51, 97.46, 97.51, 96.449, 22.46])
def test_what_a_plan_stores_prints_as_what_was_reckoned(value):
    """Kept to a tenth, 96.51 was 96.5 and printed 96 where the sheet said 97, and 97.46 was 97.5 and printed 98."""
    limit = LimitFound("hb_after", "", value, value, "g/L", "ok").stored()
    for kept in (*Spread(value, value, value).stored(), limit["reached"], limit["allowed"]):
        assert (f"{kept:.0f}", f"{kept:.1f}") == (f"{value:.0f}", f"{value:.1f}")


def test_units_follow_the_volumes():
    assert units_of([cells(258, 0), saline(300, 300), cells(516, 500), cells(300, 300)], 258.0) == [
        (1,), (), (2, 3), (4, 5),
    ]  # fmt: skip
    assert units_of([cells(129, 0), cells(129, 0)], 258.0) == [(1,), (1,)]  # half a unit and its other half


@given(
    st.lists(
        st.tuples(st.sampled_from(["saline", "red_cells"]), st.integers(0, 400), st.integers(0, 400)),
        min_size=1, max_size=8,
    )
)  # fmt: skip
def test_no_order_of_steps_escapes_its_extremes(rows):
    """Law: what is said to be deepest, highest and lowest bounds every moment."""
    steps = tuple(Laid(f, float(i), float(o), CELLS if f == "red_cells" else 0.0) for f, i, o in rows if i or o)
    if not steps or min(np.cumsum([s.in_ml - s.out_ml for s in steps])) < -3000:
        return
    judged = judge(GROUND, steps, limits(units_most=20), HARD)
    balances = [moment.balance_ml for moment in judged.moments]
    assert judged.deepest_ml <= min(0.0, *balances) + 1e-9
    assert judged.highest_ml == pytest.approx(max(0.0, *balances))
    assert row(judged, "hb_floor").reached <= min(moment.hb_g_l.p10 for moment in judged.moments) + 1e-9


def test_an_automated_session_is_judged_by_totals_only():
    judged = judge_automated(GROUND, units=6, hb_end_g_l=95.0, limits=limits(), hard=HARD)
    assert judged.hb_settled.p50 == pytest.approx(95.0)
    assert judged.moments[0].units == (1, 2, 3, 4, 5, 6)
    assert [limit.name for limit in judged.limits] == ["hb_after", "rise", "hb_floor", "blood_out", "units"]
    assert {limit.state for limit in judged.limits} == {"ok"}
    # Level Hb mass: own cells left e^(−o/M), M the mass (wash-out of Reverberi and Reverberi 2007, by mass).
    level = judge_automated(GROUND, units=6, hb_end_g_l=94.0, limits=limits(), hard=HARD)
    mass = 3.7 * 1.05 * 94.0
    assert level.hbs.p50 == pytest.approx(30.4 * math.exp(-300.0 / mass), rel=1e-6)
    with pytest.raises(ValueError, match="0 units cannot end at"):
        judge_automated(GROUND, units=0, hb_end_g_l=95.0, limits=limits(), hard=HARD)


def test_a_machine_is_not_set_to_end_under_the_floor_or_to_draw_more_than_may_be_drawn():
    """By hand: the floor is 80 to warn and 70 to stop; a child of 22 kg gives 50 mL/kg, 1,100 mL, so 4 units level."""
    for end, state in ((80.0, "ok"), (79.0, "warn"), (69.0, "stop")):
        found = row(judge_automated(GROUND, units=5, hb_end_g_l=end, limits=limits(), hard=HARD), "hb_floor")
        assert (found.state, found.hard, found.reached) == (state, True, pytest.approx(end)), end
    child = replace(GROUND, weight_kg=22.0, blood_volume_ml=1600.0)
    for units, state in ((4, "ok"), (5, "stop")):
        found = row(judge_automated(child, units=units, hb_end_g_l=94.0, limits=limits(weight_kg=22.0), hard=HARD),
                    "blood_out")  # fmt: skip
        assert (found.state, found.reached, found.allowed) == (state, 258.0 * units, 1100.0)
    # Who starts under the floor is level no lower than before.
    low = judge_automated(replace(GROUND, hb_g_l=76.0), units=5, hb_end_g_l=76.0, limits=limits(), hard=HARD)
    assert row(low, "hb_floor").state == "ok"
