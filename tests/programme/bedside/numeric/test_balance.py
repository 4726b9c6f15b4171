"""The balance against its limits, and the bars and words that show it, by hand."""

from dataclasses import replace

import pytest

from programme.bedside.numeric.balance import BalanceLimits, judged, judged_touch
from programme.bedside.numeric.bars import bar, scale_of
from programme.bedside.numeric.words import entry_words, ml, stroke_sentence, vitals_words
from sessions.day.numeric.strokes import Stroke

LIMITS = BalanceLimits(under_ml=480, over_ml=360, weight_kg=60)


@pytest.mark.parametrize(
    ("balance", "state", "words"),
    [
        (0, "ok", "inside limits"),
        (-383, "ok", "inside limits"),
        (-384, "warn", "near the limit under: 96 mL left"),
        (-480, "warn", "near the limit under: 0 mL left"),
        (-481, "stop", "1 mL beyond the limit under; tell the prescriber"),
        (300, "warn", "near the limit over: 60 mL left"),
        (400, "stop", "40 mL beyond the limit over; tell the prescriber"),
    ],
)
def test_a_balance_is_inside_near_or_beyond_its_limit(balance, state, words):
    found = judged(balance, LIMITS)
    assert (found.state, found.words) == (state, words)
    assert (LIMITS.under_ml_per_kg, LIMITS.over_ml_per_kg) == (8, 6)


def test_whoever_is_given_first_hears_of_a_draw_ahead_long_before_the_limit():
    """2 mL/kg of 60 kg."""
    limits = replace(LIMITS, ahead_ml=120)
    assert judged(-119, limits).state == "ok"
    ahead = judged(-120, limits)
    assert (ahead.state, ahead.words) == ("warn", "120 mL drawn ahead; with this flag it is given first")
    assert judged(-481, limits).state == "stop"
    assert judged_touch(258, in_ml=0, out_ml=260, limits=limits) is None
    again = judged_touch(-2, in_ml=0, out_ml=260, limits=limits)
    assert "bring the balance to −262 mL, 262 mL drawn ahead; with this flag" in again.words


def test_a_touch_that_would_pass_a_limit_is_said_beforehand():
    assert judged_touch(0, in_ml=200, out_ml=250, limits=LIMITS) is None
    single = judged_touch(0, in_ml=0, out_ml=500, limits=LIMITS)
    assert (single.state, single.words) == ("stop", "500 mL drawn without return: the limit of one draw is 480 mL.")
    summed = judged_touch(-300, in_ml=0, out_ml=250, limits=LIMITS)
    assert summed.state == "stop"
    assert "bring the balance to −550 mL, 70 mL beyond the limit under" in summed.words
    near = judged_touch(-300, in_ml=0, out_ml=100, limits=LIMITS)
    assert near.state == "warn"
    assert judged_touch(-450, in_ml=400, out_ml=0, limits=LIMITS) is None, "what brings it back is never warned of"


def test_a_bar_is_blocks_of_100_with_a_needle_and_a_tick():
    found = bar(250, 400, 560)
    assert found.blocks == (("0.0", "100.0", True), ("100.0", "100.0", False), ("200.0", "50.0", True))
    assert (found.needle, found.tick) == ("250.0", "400.0")
    assert scale_of(2090, 2050) == 2200


def test_what_is_to_be_done_is_one_sentence():
    assert stroke_sentence(Stroke(5, "red_cells", 130, 258, 4)) == "Give unit 4, 258 mL, while 130 mL is drawn."
    assert stroke_sentence(Stroke(1, "saline", 200, 200)) == "Give 200 mL of saline while 200 mL is drawn."
    assert stroke_sentence(Stroke(1, "saline", 250, 0)) == "Draw 250 mL."
    last = stroke_sentence(Stroke(9, "saline", 440, 0), for_good=True)
    assert last == "Draw 440 mL and give nothing back for it."
    assert stroke_sentence(Stroke(1, "red_cells", 0, 258, 1)) == "Give unit 1, 258 mL."


def test_what_was_entered_is_one_line():
    moved = {"step": 2, "in_ml": 258, "out_ml": 1250, "unit": 1}
    assert entry_words("moved", moved) == "out 1,250, in 258 mL of unit 1, step 2"
    assert entry_words("moved", {"step": 1, "in_ml": 0, "out_ml": 479, "weighed_g": 550}) == (
        "out 479 mL, weighed 550 g, step 1"
    )
    seen = {"bp_sys": 112, "bp_dia": 68, "pulse": 78, "temp_c": 37, "spo2": 97, "words": "well"}
    assert vitals_words(seen) == "BP 112/68, pulse 78, 37.0 °C, SpO₂ 97 %, well"
    assert entry_words("undo", {"number": 4}) == "entry 4 undone"
    assert (ml(-0.2), ml(-1670)) == ("0", "−1,670")
