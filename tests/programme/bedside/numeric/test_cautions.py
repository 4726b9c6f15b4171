"""What is said beside a plan, each at its edge; the volumes against the sums written out by hand."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from programme.bedside.numeric.cautions import Today, cautions
from programme.core.numeric.setting_table import DEFAULTS

ON = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 8, 10, tzinfo=UTC)
FINE = Today(
    on=ON, now=NOW, weight_kg=58.0, weight_on=ON, age_years=30.0, blood_volume_ml=3700.0, hb_g_l=90.0, hb_measured=True,
    hbs_pct=31.0, hbs_is_forecast=False, end_target_pct=13.7,
    unit_hb_g_l=194.0, tops_up=False, ends_ml=-4.0, drawn_ahead_ml=0.0, dehydrated=False, antibodies=(),
    sickle_negative=False, group_recorded=True, last_reaction="", sample_taken=NOW - timedelta(hours=20),
    sample_until=NOW + timedelta(hours=52), needed_hours=4.0, consent_until=ON,
)  # fmt: skip


def said(**changed):
    return {row.name: row for row in cautions(replace(FINE, **changed), DEFAULTS)}


def test_nothing_is_said_but_how_long_the_sample_holds_when_all_is_well():
    assert [(name, row.level) for name, row in said().items()] == [("sample", "note-1")]


def test_a_low_start_names_the_top_up_and_what_the_rules_give():
    """V·ΔHb/c = 3700 × 16 / 194 = 305 mL; 3 mL/kg for 10 g/L is 278 mL; measured 4 to 5 mL/kg, 371 to 464 mL."""
    words = said(hb_g_l=64.0)["low_start"].words
    assert "about 305 mL by arithmetic, 278 mL by the rule" in words
    assert "371 to 464 mL as measured" in words
    assert "This plan does not begin with one. Local policy decides." in words
    assert "does not begin" not in said(hb_g_l=64.0, tops_up=True)["low_start"].words
    assert "low_start" not in said(hb_g_l=70.0)


@pytest.mark.parametrize(("hb", "there"), [(99.4, False), (100.0, True), (118.0, True)])
def test_a_high_start(hb, there):
    assert ("high_start" in said(hb_g_l=hb)) is there


def test_who_is_at_the_end_target_already_is_told_from_who_is_not():
    words = said(hbs_pct=10.9)["low_already"].words
    assert "HbS is 10.9 % before the session, not over the 13.7 % at which it should end" in words
    assert "low_already" in said(hbs_pct=13.7)
    assert "low_already" not in said(hbs_pct=13.8)
    assert "low_already" not in said(hbs_pct=10.9, end_target_pct=None)


def test_a_plan_that_ends_short_says_by_how_much():
    """By hand: 442 mL of 58 kg and 3,700 mL are 7.6 mL/kg and 12 in 100; 2 mL/kg are 116 mL."""
    words = said(ends_ml=-442.0)["ends_short"].words
    assert "ends 442 mL short, 7.6 mL/kg and 12 in 100 of the blood volume" in words
    assert "ends_short" in said(ends_ml=-116.0)
    assert "ends_short" not in said(ends_ml=-115.0)
    assert "ends_short" not in said(ends_ml=300.0)


def test_a_draw_ahead_of_what_is_given_is_said_of_somebody_with_a_flag():
    """2 mL/kg of 58 kg are 116 mL."""
    assert said(drawn_ahead_ml=116.0)["drawn_first"].level == "check"
    assert "up to 260 mL more is drawn" in said(drawn_ahead_ml=260.0)["drawn_first"].words
    assert "drawn_first" not in said(drawn_ahead_ml=115.0)


@pytest.mark.parametrize(("kg", "ml"), [(26.0, 260), (58.0, 500)])
def test_the_dehydrated_get_ten_ml_per_kg_up_to_500(kg, ml):
    assert f"here {ml} mL" in said(dehydrated=True, weight_kg=kg)["dehydrated"].words


def test_a_session_longer_than_the_unit_is_open_is_said_with_the_usual_ways_out():
    """Nine units at 70 min by one arm are 10.5 h; the setting is 8 h and its edge is not passed."""
    found = said(needed_hours=10.5)["length"]
    assert (found.level, "about 10.5 h" in found.words, "over 8 h" in found.words) == ("check", True, True)
    assert "length" not in said(needed_hours=8.0)


def test_under_40_kg_limits_are_tighter_and_weights_are_stale_sooner():
    assert "usually goes by pump" in said(weight_kg=39.9)["small_body"].words
    assert "small_body" not in said(weight_kg=40.0)
    old = ON - timedelta(days=60)
    assert "weight" not in said(weight_on=old)
    assert "60 days old; up to 35 days are allowed here" in said(weight_on=old, age_years=9.0)["weight"].words
    assert "never recorded" in said(weight_on=None)["weight"].words


def test_blood_needs_and_the_last_reaction_are_said():
    found = said(
        antibodies=("anti-E", "anti-Jk(b)"), sickle_negative=True, last_reaction="Reaction on 4 May 2026: fever"
    )
    assert "anti-E, anti-Jk(b)" in found["antibody"].words
    assert "HbS-negative" in found["sickle_negative"].words
    assert found["reaction"].level == "check"
    assert said(group_recorded=False)["group"].level == "check"


def test_a_sample_that_does_not_hold_to_the_last_unit_is_out_of_date():
    assert said(sample_until=NOW + timedelta(hours=3, minutes=1))["sample"].level == "note-1"
    late = said(sample_until=NOW + timedelta(hours=2, minutes=59))["sample"]
    assert (late.level, "not to the last unit" in late.words) == ("check", True)
    assert "No crossmatch sample" in said(sample_taken=None, sample_until=None)["sample"].words


def test_consent_holds_to_its_last_day():
    assert "consent" not in said()
    assert "in date until 31 May 2026" in said(consent_until=ON - timedelta(days=1))["consent"].words
    assert "No consent is recorded" in said(consent_until=None)["consent"].words


def test_what_is_to_be_checked_comes_before_notes():
    levels = [row.level for row in cautions(replace(FINE, hb_g_l=64.0, antibodies=("anti-E",)), DEFAULTS)]
    assert levels == sorted(levels, key=lambda level: level != "check")
