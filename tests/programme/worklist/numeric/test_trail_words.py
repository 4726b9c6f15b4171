"""Entries of the trail in words."""

import pytest

from programme.worklist.numeric.trail_words import changed, field_words, row_words, said


def test_only_what_differs_is_said_with_its_unit():
    before = {"id": 4, "version": 1, "hbs_ceiling_pct": 30.0, "usual_interval_days": 28, "method": "two_arm"}
    after = {"id": 4, "version": 2, "hbs_ceiling_pct": 25.5, "usual_interval_days": None, "method": "two_arm"}
    assert changed(before, after) == (("HbS ceiling", "30 %", "25.5 %"), ("usual interval", "28 days", ""))


def test_of_a_new_row_everything_that_says_something_is_said():
    after = {"id": 1, "patient_id": 7, "abo": "O", "hbs_negative": True, "other": "", "flag": False, "own_type": None}
    assert changed(None, after) == (("ABO", "", "O"), ("HbS negative", "", "yes"))
    assert changed(None, None) == ()


def test_nought_is_a_figure_and_no_is_not_lost_where_it_was_yes():
    assert changed({"units": 4}, {"units": 0}) == (("units", "4", "0"),)
    assert changed({"hbs_negative": True}, {"hbs_negative": False}) == (("HbS negative", "yes", ""),)


def test_codes_are_said_in_words():
    assert changed(None, {"analyte": "718-7"}, {"analyte": {"718-7": "Hb"}}) == (("analyte", "", "Hb"),)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("weight_kg", 58.4, "58.4 kg"),
        ("pace_pct_per_day", 0.61, "0.61 points a day"),
        ("taken_at", "2026-11-25T09:50:08.856898+00:00", "2026-11-25 09:50 UTC"),
        ("negative", ["C", "E"], "C, E"),
        ("needs", {"abo": "O", "other": "", "negative": ["K"]}, "ABO O, negative K"),
        ("note", "dark urine", "dark urine"),
    ],
)
def test_a_value_is_said_on_one_line(name, value, words):
    assert said(name, value) == words


def test_names_of_fields_and_rows():
    assert field_words("first_checker_id") == "first checker"
    assert field_words("greatest_rise_g_l") == "greatest rise"
    assert field_words("hb_before_g_l") == "Hb before"
    assert row_words("patients.LabResult", 12) == "lab result 12"
    assert row_words("trail", None) == "trail"
