"""What is said once what was really done passes a stop, and what is not said because somebody signed for it."""

import pytest

from programme.bedside.numeric.passed_now import left_high_words, passed_now, stops_of
from programme.planning.numeric.limits import limits_for

PLANNED = {"hb_g_l": [94.0, 88.0, 103.0], "saline_ml": 800.0, "out_ml": 1800.0}
HALF_WAY = {"hb_g_l": 90.0, "saline_ml": 400.0, "out_ml": 900.0}


def said(done, planned=None, *, flag: bool = False) -> str:
    stops = stops_of(limits_for(weight_kg=60.0, organ_flag=flag), **(PLANNED | (planned or {})))
    return " ".join(passed_now(stops, **(HALF_WAY | done)))


@pytest.mark.parametrize(
    ("done", "words"),
    [
        ({"hb_g_l": 68.0}, "Hb is now about 68 g/L, under the 70 g/L it may fall to. Draw no more"),  # common practice
        ({"hb_g_l": 122.0}, "Hb is now about 122 g/L, over the 120 g/L"),  # haematocrit 0.36, Vichinsky E 2001
        ({"saline_ml": 920.0}, "920 mL of saline are in; 900 mL is the most"),  # 15 mL/kg of 60 kg
        ({"out_ml": 3520.0}, "3,520 mL of blood are out; 3,500 mL is the most"),
    ],
)
def test_a_stop_passed_by_what_was_done_is_said(done, words) -> None:
    assert words in said(done)


@pytest.mark.parametrize(
    "done", [{}, {"hb_g_l": 69.0}, {"hb_g_l": 121.0}, {"saline_ml": 910.0}, {"out_ml": 3510.0}, {"hb_g_l": None}]
)
def test_what_holds_but_for_what_cannot_be_measured_is_not_said(done) -> None:
    assert said(done) == ""


def test_what_somebody_signed_for_is_not_said_and_what_goes_beyond_it_is() -> None:
    """With a flag the floor is 90 g/L; the plan that was signed falls to 88."""
    assert said({"hb_g_l": 87.5}, flag=True) == ""
    assert "under the 88 g/L" in said({"hb_g_l": 86.0}, flag=True)
    assert said({"saline_ml": 1000.0}, {"saline_ml": 1000.0}) == ""
    assert "1,000 mL is the most" in said({"saline_ml": 1100.0}, {"saline_ml": 1000.0})


def test_hb_that_would_be_left_high_is_said_and_what_was_allowed_or_planned_is_not() -> None:
    said = left_high_words(119.6, allowed_g_l=110.0, planned_g_l=115.2)
    assert "Hb settles at about 120 g/L, over the 110 g/L allowed; planned was 115 g/L" in said
    assert left_high_words(116.1, allowed_g_l=110.0, planned_g_l=115.2) == ""
    assert left_high_words(110.9, allowed_g_l=110.0, planned_g_l=96.0) == ""
    assert "over the 110 g/L allowed" in left_high_words(111.6, allowed_g_l=110.0, planned_g_l=96.0)
