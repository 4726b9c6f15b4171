"""After a session: expected against measured, and the two volumes that lower Hb, worked by hand."""

import math
from dataclasses import replace

import pytest

from sessions.day.numeric.after import Before, Expected, Figure, HbAfter, expected_after, lower_hb, parting_words

BEFORE = Before(
    blood_volume_ml=4000, mixing_volume_ml=4000, hb_g_l=100, hbs_pct=40, hb_sd_g_l=1.5, hbs_sd_pct=1.0, unit_hb_g=50
)
ASSAY = {"hb_assay_sd_g_l": 1.5, "hbs_assay_sd_pct": 1.0}


def test_a_level_saline_wash_lowers_hb_by_the_wash_out_and_leaves_the_share_alone() -> None:
    """Well-mixed wash-out, e^(−out/V): Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74."""
    found = expected_after(BEFORE, in_ml=[1000], out_ml=[1000], cells_hb_g_l=[0], **ASSAY)
    assert found.hb_g_l.p50 == pytest.approx(100 * math.exp(-0.25))
    assert found.hbs_pct.p50 == pytest.approx(40)
    # By hand: iron out is 3.4 mg for each of 4 L x (100 − 77.88) g/L.
    assert found.net_iron_mg == pytest.approx(-3.4 * 4 * (100 - 100 * math.exp(-0.25)))


def test_a_level_exchange_with_cells_as_rich_as_the_blood_leaves_hb_and_washes_the_share() -> None:
    found = expected_after(BEFORE, in_ml=[2000], out_ml=[2000], cells_hb_g_l=[100], **ASSAY)
    assert found.hb_g_l.p50 == pytest.approx(100)
    assert found.hbs_pct.p50 == pytest.approx(40 * math.exp(-0.5))
    assert found.share.p50 == 1.0


def test_the_assay_widens_eight_in_ten() -> None:
    narrow = expected_after(
        BEFORE, in_ml=[10], out_ml=[10], cells_hb_g_l=[0], hb_assay_sd_g_l=0.0, hbs_assay_sd_pct=0.0, mixing_rel_sd=0.0
    )
    wide = expected_after(BEFORE, in_ml=[10], out_ml=[10], cells_hb_g_l=[0], **ASSAY, mixing_rel_sd=0.0)
    # Almost nothing was done, so what is left is the error of the two measurements: sqrt(1² + 1²) x 1.28 each way.
    assert narrow.hbs_pct.p90 - narrow.hbs_pct.p50 == pytest.approx(1.2816, rel=0.01)
    assert wide.hbs_pct.p90 - wide.hbs_pct.p50 == pytest.approx(1.2816 * math.sqrt(2), rel=0.01)


def test_a_person_who_mixes_in_more_is_washed_less() -> None:
    more = Before(4000, 4600, 100, 40, 1.5, 1.0, 50)
    found = expected_after(more, in_ml=[2000], out_ml=[2000], cells_hb_g_l=[100], **ASSAY)
    assert found.hbs_pct.p50 == pytest.approx(40 * math.exp(-2000 / 4600))
    assert found.share.p50 == pytest.approx(4000 / 4600)


EXPECTED = Expected(Figure(16, 15, 17), Figure(105, 102, 108), Figure(1, 0.9, 1.1), 0.8, 160)


def test_inside_eight_in_ten_nothing_is_said() -> None:
    assert parting_words(EXPECTED, hbs_pct=16.4, hb_g_l=103) == ""
    assert parting_words(EXPECTED, hbs_pct=None, hb_g_l=None) == ""


def test_high_hbs_names_mixing_first_and_low_hb_alone_names_dilution_first() -> None:
    high = parting_words(EXPECTED, hbs_pct=19.4, hb_g_l=104)
    assert "HbS measured 19.4 % lies above what these volumes should leave (15.0 to 17.0 % in eight of ten)" in high
    assert high.index("incomplete mixing") < high.index("too early")
    low = parting_words(EXPECTED, hbs_pct=16, hb_g_l=95)
    assert "Look in this order: a tube diluted by saline" in low
    rich = parting_words(EXPECTED, hbs_pct=12, hb_g_l=115)
    assert rich.index("donor cells") < rich.index("a wrong tube")


def test_what_already_speaks_against_the_sample_comes_before_other_causes() -> None:
    words = parting_words(EXPECTED, hbs_pct=12, hb_g_l=115, doubts=["Taken 5 min after the end."])
    assert words.index("Taken 5 min after the end.") < words.index("If it is not that: a wrong tube")
    assert "too early" not in words


def test_hb_over_the_ceiling_offers_the_rule_and_the_reckoned_volume_with_what_each_does() -> None:
    """Level drawing, V·ln(Hb/wanted): Reverberi 2007 as above. 60 kg at 70 mL/kg, from 120 to the ceiling of 110."""
    found = lower_hb(
        hb_after_g_l=120, hb_before_g_l=95, hb_ceiling_g_l=110, greatest_rise_g_l=40, blood_volume_ml=4200, weight_kg=60
    )
    assert found is not None
    assert found.wanted_hb_g_l == 110
    assert found.reckoned_ml == pytest.approx(4200 * math.log(120 / 110))  # 365 mL, about 6 mL/kg
    assert found.reckoned_ml == pytest.approx(365, abs=1)
    assert found.rule_ml == pytest.approx(180)  # 3 mL/kg for 10 g/L
    assert found.rule_ends_at_g_l == pytest.approx(120 * math.exp(-180 / 4200))  # 115: half of what the rule says
    assert (found.over_ceiling_g_l, found.rise_over_limit_g_l) == (10, 0)


def test_a_rise_over_the_days_limit_counts_even_under_the_ceiling() -> None:
    found = lower_hb(
        hb_after_g_l=108, hb_before_g_l=60, hb_ceiling_g_l=110, greatest_rise_g_l=40, blood_volume_ml=4200, weight_kg=60
    )
    assert found is not None
    assert (found.wanted_hb_g_l, found.over_ceiling_g_l, found.rise_over_limit_g_l) == (100, 0, 8)


@pytest.mark.parametrize(("before", "after"), [(95, 110), (75, 110), (None, 110), (75, 104)])
def test_at_or_under_both_limits_nothing_is_offered(before: float | None, after: float) -> None:
    assert (
        lower_hb(
            hb_after_g_l=after, hb_before_g_l=before, hb_ceiling_g_l=110, greatest_rise_g_l=40, blood_volume_ml=4200,
            weight_kg=60,
        )
        is None
    )  # fmt: skip


THICK = HbAfter(
    131, 110, hb_before_g_l=95, greatest_rise_g_l=40, drawn_ml=0, blood_volume_ml=4000, rechecked=False
)  # fmt: skip


@pytest.mark.parametrize(
    ("drawn_ml", "answered", "says"),
    [
        (0, False, "131 g/L is over the ceiling of 110 g/L: no blood drawn since, no check of Hb opened"),
        (280, False, "280 mL drawn since, which leads to about 122 g/L, no check of Hb opened"),
        (660, False, "660 mL drawn since, which leads to about 111 g/L"),
        (699, True, "699 mL drawn since, which leads to about 110 g/L"),
    ],
)
def test_hb_over_the_ceiling_is_answered_by_what_leads_under_it(drawn_ml, answered, says) -> None:
    """By hand: 4000·ln(131/110) is 699 mL; 131·e^(−280/4000) is 122.1, with 660 mL 111.1."""
    found = replace(THICK, drawn_ml=drawn_ml)
    assert (found.is_over, found.is_answered) == (True, answered)
    assert says in found.words
    assert replace(found, rechecked=True).is_answered


def test_a_rise_over_the_days_limit_is_asked_about_even_under_the_ceiling() -> None:
    """From 60 a day's rise of 40 ends at 100 g/L. By hand: 4000·ln(108/100) is 308 mL."""
    found = replace(THICK, hb_g_l=108, hb_before_g_l=60)
    assert (found.most_g_l, found.is_over, found.is_answered) == (100, True, False)
    assert found.words.startswith("108 g/L rose by 48 in the day, 40 g/L is allowed: no blood drawn since")
    assert replace(found, drawn_ml=310).is_answered
    assert not replace(found, hb_before_g_l=68).is_over
    assert not replace(found, hb_before_g_l=None).is_over
    both = replace(found, hb_g_l=112)
    assert "112 g/L is over the ceiling of 110 g/L and rose by 52 in the day" in both.words


def test_a_draw_from_an_unknown_volume_answers_nothing() -> None:
    found = replace(THICK, drawn_ml=699, blood_volume_ml=math.nan)
    assert not found.is_answered
    assert found.words.endswith("699 mL drawn since, no check of Hb opened")
