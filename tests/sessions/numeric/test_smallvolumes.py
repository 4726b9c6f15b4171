"""Small top-ups and level bleeds against published doses and their rules of thumb."""

import numpy as np
import pytest

from sessions.numeric.exchange import Start, Step, run_steps
from sessions.numeric.smallvolumes import level_bleed, topup

UNIT_HB_G_L = 50.0 / 0.258


@pytest.mark.parametrize(("hb", "unsettled"), [(60.0, 5.65), (65.0, 5.89), (70.0, 6.15)])
def test_topup_for_ten_grams_a_litre_at_70_ml_per_kg(hb, unsettled):
    """Unit of 50 g in 258 mL (Australian Red Cross Lifeblood 2022): 3.61 mL/kg settled (independent
    computation); measured doses of 4 (Cornell 2017), 4.8 (Morris 2005) and 5.0 (Davies 2007) mL/kg lie
    between the two, 3 is below both."""
    dose = topup(blood_volume_ml=70.0, weight_kg=1.0, hb_g_l=hb, rise_g_l=10.0)
    assert dose.settled_ml == pytest.approx(3.61, abs=0.005)
    assert dose.unsettled_ml == pytest.approx(unsettled, abs=0.005)
    assert dose.rule_ml == 3.0
    assert dose.rule_ml < dose.settled_ml < dose.measured_low_ml < dose.measured_high_ml < dose.unsettled_ml


def test_childs_dose_as_published():
    """20 kg and +20 g/L: 200 mL by Davies P et al. Transfusion 2007;47:212-6; 160 mL by Cornell N et al. J
    Pediatr Hematol Oncol 2017;39:e388-90."""
    dose = topup(blood_volume_ml=1450.0, weight_kg=20.0, hb_g_l=60.0, rise_g_l=20.0)
    assert dose.measured_high_ml == pytest.approx(200.0)
    assert dose.measured_low_ml == pytest.approx(160.0)


def test_topup_does_what_it_says_when_run_as_a_session():
    dose = topup(blood_volume_ml=4200.0, weight_kg=60.0, hb_g_l=62.0, rise_g_l=8.0)
    start = Start(4200.0, 62.0, 80.0)
    settled = run_steps(start, [Step("red_cells", float(dose.settled_ml), 0.0, UNIT_HB_G_L)])
    unsettled = run_steps(start, [Step("red_cells", float(dose.unsettled_ml), 0.0, UNIT_HB_G_L)])
    assert settled.hb_settled_g_l == pytest.approx(70.0)
    assert unsettled.hb_post_g_l == pytest.approx(70.0)


def test_a_rise_beyond_the_unit_cannot_be_reached_while_the_volume_stays():
    assert topup(blood_volume_ml=4200.0, weight_kg=60.0, hb_g_l=62.0, rise_g_l=140.0).unsettled_ml == np.inf


@pytest.mark.parametrize(
    ("hb", "at_70", "at_65"), [(110.0, 6.67, 6.20), (115.0, 6.37, 5.91), (120.0, 6.09, 5.66), (130.0, 5.60, 5.20)]
)
def test_level_bleed_for_ten_grams_a_litre(hb, at_70, at_65):
    """V·ln(Hb/wanted), wash-out of Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74 (independent
    computation)."""
    volume = np.array([70.0, 65.0])
    bleed = level_bleed(blood_volume_ml=volume, weight_kg=1.0, hb_g_l=hb, wanted_hb_g_l=hb - 10.0)
    assert bleed.out_ml == pytest.approx([at_70, at_65], abs=0.005)


def test_the_bleeding_rule_of_thumb_lowers_half_of_what_it_promises():
    """3 mL/kg 'for 10 g/L' lowers 120 g/L by 5.0 (independent computation)."""
    bleed = level_bleed(blood_volume_ml=70.0, weight_kg=1.0, hb_g_l=120.0, wanted_hb_g_l=110.0)
    assert bleed.rule_ml == 3.0
    assert 120.0 - bleed.rule_ends_at_g_l == pytest.approx(5.0, abs=0.05)


def test_level_bleed_does_what_it_says_when_run_as_a_session():
    bleed = level_bleed(blood_volume_ml=4200.0, weight_kg=60.0, hb_g_l=118.0, wanted_hb_g_l=105.0)
    amount = float(bleed.out_ml)
    assert run_steps(Start(4200.0, 118.0, 30.0), [Step("saline", amount, amount)]).hb_post_g_l == pytest.approx(105.0)


def test_no_bleed_when_haemoglobin_is_not_too_high():
    assert level_bleed(blood_volume_ml=4200.0, weight_kg=60.0, hb_g_l=100.0, wanted_hb_g_l=105.0).out_ml == 0.0


def test_impossible_figures_are_refused_by_name():
    with pytest.raises(ValueError, match="hb_g_l must be finite and 0 or more"):
        level_bleed(blood_volume_ml=4200.0, weight_kg=60.0, hb_g_l=-1.0, wanted_hb_g_l=105.0)
    with pytest.raises(ValueError, match="weight_kg must be finite and 0 or more"):
        topup(blood_volume_ml=4200.0, weight_kg=np.inf, hb_g_l=60.0, rise_g_l=10.0)
