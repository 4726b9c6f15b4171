"""Sessions through one arm: the formula of the search against the exact steps, and every limit at every moment."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from programme.planning.numeric.limits import hb_after_warn, limits_for
from programme.planning.numeric.one_arm import cut_up, parts_of, washed
from programme.planning.numeric.prescribe import NO_PLAN, WARN_HELD, prescribe
from programme.planning.numeric.search import UNFAVOURABLE_TENTH, Before, Cells, follow
from sessions.numeric.exchange import run_many

UNIT_HB_G_L = 1000.0 * 50.0 / 258.0


def test_draw_first_takes_more_than_both_at_once_and_give_first_less():
    # One blood volume turned in ten draws by the discrete dilution (1 − 1/10)^10, at once e^−1, given first
    # (1 + 1/10)^−10: the first two are the discrete and the continuous case of Reverberi R, Reverberi L, Blood Transfus
    # 2007;5:164-74.
    left = [float(washed(np.array(1.0), parts)[0]) for parts in (10.0, np.inf, -10.0)]
    assert left == pytest.approx([0.348678, 0.367879, 0.385543], abs=1e-6)


def test_many_small_draws_come_to_both_at_once():
    assert float(washed(np.array(0.7), 1e6)[0]) == pytest.approx(np.exp(-0.7), abs=1e-6)


@pytest.mark.parametrize("parts", [3.0, -3.0, np.inf])
def test_how_much_it_depends_on_the_volume_is_the_slope(parts):
    step = 1e-6
    left, slope = washed(np.array(0.6), parts)
    up = washed(np.array(0.6 * (1.0 + step)), parts)[0]
    assert float(slope) == pytest.approx(-float(np.log(up / left)) / step, rel=1e-4)


@settings(max_examples=60, deadline=None)
@given(
    saline=st.integers(0, 70),
    units=st.integers(1, 6),
    part=st.sampled_from([120.0, 260.0, 480.0, -130.0, -260.0]),
    hb=st.floats(70.0, 99.0),
    volume=st.floats(2500.0, 6500.0),
)
def test_the_search_and_the_steps_carried_out_agree(saline, units, part, hb, volume):
    cells = Cells(260.0, UNIT_HB_G_L, 0.10)  # a unit that rounding leaves as it is
    goes = np.array([10.0 * saline, 260.0 * units, 0, 0, 0, 0])
    before = Before(*(np.array([v]) for v in (hb, 3.0, volume, 1.0, 0.07)))
    parts = parts_of(goes[:, None], cells.unit_ml, np.array([part]))
    found = follow(before, cells, goes[:, None], units, 0.0, parts)
    fluid = np.array([0.0, UNIT_HB_G_L] * 3)
    steps = np.array(cut_up(goes, goes, fluid, unit_ml=260.0, part_ml=part, rounding_ml=10.0))
    exact = run_many(
        blood_volume_ml=volume, hb_g_l=hb, hbs_pct=30.0, in_ml=steps[:, 0], out_ml=steps[:, 1], cells_hb_g_l=steps[:, 2]
    )
    assert steps[:, 0].sum() == pytest.approx(goes.sum())
    assert steps[:, 1].sum() == pytest.approx(goes.sum())
    # Parts rounded to 10 mL are not quite equal, which is all that differs.
    assert found.ratio[0] == pytest.approx(float(exact.hbs_ratio), rel=2e-3)
    assert found.hb_end[0] == pytest.approx(float(exact.hb_settled), rel=2e-3)
    assert float(exact.end_balance) == pytest.approx(0.0, abs=1e-6)
    worst = exact.deepest_deficit if part > 0 else exact.largest_excess
    assert float(worst) <= abs(part) + 1e-6
    assert float(exact.largest_excess if part > 0 else exact.deepest_deficit) <= 10.0


def test_a_unit_is_never_shared_between_two_draws():
    steps = cut_up(
        np.array([774.0]), np.array([770.0]), np.array([194.0]), unit_ml=258.0, part_ml=200.0, rounding_ml=10.0
    )
    given = [in_ml for in_ml, _, _ in steps if in_ml]
    assert given == pytest.approx([129.0] * 6)
    assert sum(out for _, out, _ in steps) == pytest.approx(770.0)


people = st.fixed_dictionaries(
    {
        "hb": st.floats(60.0, 112.0),
        "hbs": st.floats(15.0, 60.0),
        "weight": st.floats(16.0, 100.0),
        "target": st.floats(8.0, 40.0),
        "flag": st.booleans(),
        "saline_first": st.booleans(),
    }
)


@settings(max_examples=60, deadline=None)
@given(person=people)
def test_every_limit_holds_at_every_moment_of_a_one_arm_session(person):
    before = Before(*(np.array([v]) for v in (person["hb"], 2.5, person["weight"] * 66.0, 1.0, 0.06)))
    allowed = {"organ_flag": [person["flag"]], "saline_first": [person["saline_first"]]}
    limits = limits_for(weight_kg=[person["weight"]], **allowed, one_arm=True)
    hbs = np.array([person["hbs"]])
    plan = prescribe(
        before=before,
        hbs_before_pct=hbs,
        end_target_pct=np.array([person["target"]]),
        cells=Cells(258.0, UNIT_HB_G_L, 0.10),
        limits=limits,
    )
    if plan.standing[0] == NO_PLAN:
        assert plan.steps(0) == ()
        return
    steps = np.array(plan.steps(0))
    done = run_many(
        blood_volume_ml=before.blood_volume_ml, hb_g_l=before.hb_g_l, hbs_pct=hbs,
        in_ml=steps[:, 0], out_ml=steps[:, 1], cells_hb_g_l=steps[:, 2],
    )  # fmt: skip
    held = plan.standing[0] == WARN_HELD
    start_low, start_high = (person["hb"] + sign * UNFAVOURABLE_TENTH * 2.5 for sign in (-1.0, 1.0))
    cap = hb_after_warn(limits, done.hbs)[0] if held else limits.hb_after_stop_g_l[0]
    floor = (limits.hb_floor_warn_g_l if held else limits.hb_floor_stop_g_l)[0]
    assert (steps[:, 0] * steps[:, 1] == 0.0).all()
    assert done.hb_settled[0] <= cap + 0.5
    assert done.highest_hb[0] <= max(cap, start_high) + 0.5
    assert done.lowest_hb[0] >= min(floor, start_low) - 0.5
    assert done.hb_settled[0] - person["hb"] <= limits.rise_stop_g_l[0] + 0.5
    assert done.deepest_deficit[0] <= limits.draw_stop_ml[0] + 20.0
    if person["flag"]:
        # What rounding leaves, and the draw at the end that a prescriber allows with saline first: nobody with a flag
        # is drawn before they are given.
        at_the_end = float(plan.out_ml[0, -1])
        assert at_the_end == 0.0 or person["saline_first"]
        assert done.deepest_deficit[0] <= at_the_end + 20.0
        assert done.largest_excess[0] <= limits.balance_stop_ml[0] + plan.in_ml[0, 0] + 20.0
    if plan.reached[0]:
        assert done.hbs_settled[0] <= person["target"] + 0.2


def test_two_arms_and_one_of_the_same_person(make_before, make_limits, cells):
    before, two, one = make_before(), make_limits(), make_limits(one_arm=True)
    asked = {"before": before, "hbs_before_pct": np.array([32.0]), "end_target_pct": np.array([18.0]), "cells": cells}
    level, parted = prescribe(limits=two, **asked), prescribe(limits=one, **asked)
    assert parted.units[0] <= level.units[0]  # drawing first takes off a little more
    assert level.deepest_deficit_ml[0] <= 20.0
    assert parted.deepest_deficit_ml[0] >= 250.0


def test_who_sits_beside_whom_changes_nothing(make_before, make_limits, cells):
    before = make_before(2)
    mixed = make_limits(2, one_arm=[True, False])
    ask = {"hbs_before_pct": np.full(2, 32.0), "end_target_pct": np.full(2, 18.0), "cells": cells}
    both = prescribe(before=before, limits=mixed, **ask)
    for p in (0, 1):
        alone = prescribe(
            before=before.take([p]), limits=mixed.take([p]),
            hbs_before_pct=np.array([32.0]), end_target_pct=np.array([18.0]), cells=cells,
        )  # fmt: skip
        assert alone.steps(0) == both.steps(p)
        assert alone.hbs_after_pct[0] == both.hbs_after_pct[p]


def test_a_smaller_limit_of_a_draw_makes_more_draws(make_before, make_limits, cells):
    before, limits = make_before(), make_limits(one_arm=True)
    asked = {"before": before, "hbs_before_pct": np.array([32.0]), "end_target_pct": np.array([20.0]), "cells": cells}
    usual = prescribe(limits=limits, **asked)
    small = prescribe(limits=replace(limits, part_ml=np.array([100.0])), **asked)
    assert len(small.steps(0)) > len(usual.steps(0))
    assert small.deepest_deficit_ml[0] < usual.deepest_deficit_ml[0]
