"""One session tried by hand: the picture's curve against an integrator, the spreads, and a sentence for each limit."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from programme.core.numeric.setting_table import DEFAULTS
from programme.worklist.numeric.try_picture import LEFT, RIGHT, try_picture
from programme.worklist.numeric.trying import Figures, curve, moments, try_session, volume_in_force
from sessions.numeric.exchange import Start, Step, run_steps
from sessions.numeric.uncertainty import outcome_spread

WOMAN = Figures(female=True, height_cm=165, weight_kg=60, hb_g_l=85, hbs_pct=45)
STEPS = (
    Step("saline", 300, 300),
    Step("red_cells", 270, 250, 190),
    Step("saline", 0, 200),
    Step("red_cells", 540, 510, 190),
)


def integrated(volume_ml, hb_g_l, step, share):
    """Hb part of the way through a step, by numerical integration of the mass balance (scipy's LSODA)."""
    cells = step.hb_g_l

    def rate(_, state):
        volume, mass = state
        return [step.in_ml - step.out_ml, step.in_ml * cells - step.out_ml * mass / volume]

    end = solve_ivp(rate, (0, share), [volume_ml, hb_g_l * volume_ml], rtol=1e-10, atol=1e-10, method="LSODA").y[:, -1]
    return end[1] / end[0]


def test_curve_follows_the_integrated_mass_balance_inside_a_step():
    line = curve(WOMAN, STEPS, volume_ml=3800, slices=8)
    for place in (1, 4, 7):
        assert line.hb_g_l[place] == pytest.approx(integrated(3800, 85, STEPS[0], place / 8), rel=1e-8)
        after_first = line.hb_g_l[8]
        assert line.hb_g_l[8 + place] == pytest.approx(integrated(3800, after_first, STEPS[1], place / 8), rel=1e-8)


def test_curve_ends_where_the_session_ends():
    line = curve(WOMAN, STEPS, volume_ml=3800)
    outcome = run_steps(Start(3800, 85, 45), STEPS)
    assert line.hb_g_l[-1] == pytest.approx(outcome.hb_post_g_l)
    assert line.hbs_pct[-1] == pytest.approx(outcome.hbs_post_pct)
    assert list(line.step_end_ml) == pytest.approx([300, 570, 770, 1310])


def test_level_saline_washes_hb_out_exponentially():
    """Continuous wash-out, C = C0·e^(−x): Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74."""
    tried = try_session(Figures(True, 165, 60, 100, 40, blood_volume_ml=4000), [Step("saline", 400, 400)], DEFAULTS)
    assert tried.outcome.hb_post_g_l == pytest.approx(100 * math.exp(-0.1))
    assert tried.outcome.hbs_post_pct == pytest.approx(40)


def test_blood_volume_is_nadlers_unless_typed():
    """Women 0.3561·h³ + 0.03308·w + 0.1833 L: Nadler SB, Hidalgo JU, Bloch T, Surgery 1962;51:224-32."""
    litres = 0.3561 * 1.65**3 + 0.03308 * 60 + 0.1833
    assert volume_in_force(WOMAN)[0] == pytest.approx(1000 * litres)
    assert volume_in_force(Figures(True, 165, 60, 85, 45, blood_volume_ml=4200)) == (4200, "as typed")


def test_each_moment_has_the_spread_of_a_session_that_ends_there():
    start = Start(3800, 85, 45, weight_kg=60)
    after = moments(start=start, steps=STEPS, unit_hb_g=50, hb_sd_g_l=1.5, hbs_sd_pct=1.0)
    for count in (1, 2, 4):
        some = STEPS[:count]
        sd = outcome_spread(
            blood_volume_ml=3800, hb_g_l=85, hbs_pct=45, in_ml=[s.in_ml for s in some], out_ml=[s.out_ml for s in some],
            cells_hb_g_l=[s.hb_g_l for s in some], hbs_sd_pct=1.0,
        )  # fmt: skip
        moment = after[count - 1]
        assert moment.hb_g_l.high - moment.hb_g_l.middle == pytest.approx(1.2815515655 * float(sd.hb_end))
        assert moment.hbs_pct.middle - moment.hbs_pct.low == pytest.approx(1.2815515655 * float(sd.hbs))
    assert after[-1].balance_ml_per_kg == pytest.approx((300 + 270 + 540 - 300 - 250 - 200 - 510) / 60)


@pytest.mark.parametrize(
    ("hb", "steps", "severity", "words"),
    [
        (85, [Step("saline", 300, 300)], "check", "Step 1 takes Hb to 78, under the 80 at which this unit warns"),
        (80, [Step("saline", 600, 600)], "stop", "under the 70 at which this unit stops"),
        (65, [Step("red_cells", 300, 300, 190)], "stop", "a small top-up comes first"),
        (105, [Step("red_cells", 1000, 800, 190)], "stop", "over the 120 at which this unit stops"),
        (72, [Step("red_cells", 1900, 1700, 190)], "stop", "Hb rises by"),
        (100, [Step("saline", 0, 600), Step("saline", 600, 0)], "stop", "The deepest deficit is 600 mL (10.0 mL/kg)"),
        (95, [Step("red_cells", 270, 0, 190), Step("red_cells", 270, 0, 190)], "stop", "The largest excess is 540 mL"),
        (110, [Step("saline", 1000, 1000)], "stop", "Saline comes to 1,000 mL (16.7 mL/kg)"),
        (100, [Step("red_cells", 2000, 2000, 190)] * 2, "stop", "Blood out comes to 4,000 mL"),
    ],
)
def test_every_limit_has_its_sentence(hb, steps, severity, words):
    said = try_session(Figures(True, 165, 60, hb, 45), steps, DEFAULTS).sentences
    assert [s.severity for s in said if words in s.words] == [severity], said
    assert [s.severity == "stop" for s in said] == sorted([s.severity == "stop" for s in said], reverse=True)


def test_a_session_within_every_limit_says_nothing():
    assert try_session(Figures(True, 165, 60, 88, 30), [Step("red_cells", 540, 540, 140)], DEFAULTS).sentences == ()


def test_an_impossible_session_is_refused():
    with pytest.raises(ValueError, match="more blood than there is"):
        try_session(WOMAN, [Step("saline", 0, 3000), Step("saline", 0, 2900)], DEFAULTS)


def test_picture_spans_its_frame_and_marks_every_step():
    line = curve(WOMAN, STEPS, volume_ml=3800)
    picture = try_picture(line, STEPS, hb_warn_g_l=110, hb_stop_low_g_l=70)
    assert picture.hbs_path.startswith(f"M{LEFT:g} ")
    assert picture.steps[-1].end == RIGHT
    assert [mark.x for mark in picture.steps] == pytest.approx(
        [LEFT + (RIGHT - LEFT) * moved / 1310 for moved in (0, 300, 570, 770)], abs=0.06
    )
    assert picture.steps[2].name == "3 out"
    heights = [float(point.split()[1]) for point in picture.hb_path[1:].split("L")]
    assert np.argmax(heights) == np.argmin(line.hb_g_l)
