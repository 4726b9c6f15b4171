"""What stands in large letters at the bedside: a touch that only draws is never headed by a fluid."""

import pytest

from programme.bedside.numeric.words import entry_words, slow_words, step_name, stroke_sentence, stroke_title
from sessions.day.numeric.strokes import Stroke
from sessions.day.numeric.tally import PlannedStep


@pytest.mark.parametrize(
    ("stroke", "title", "sentence"),
    [
        (Stroke(1, "saline", 260.0, 0.0), "Draw", "Draw 260 mL."),
        (Stroke(2, "red_cells", 250.0, 0.0), "Draw", "Draw 250 mL."),
        (Stroke(2, "red_cells", 0.0, 258.0, 3), "Red cells, unit 3 of 9", "Give unit 3, 258 mL."),
        (Stroke(2, "red_cells", 0.0, 258.0, 10), "Red cells, unit 10", "Give unit 10, 258 mL."),
        (Stroke(4, "saline", 250.0, 240.0), "Saline", "Give 240 mL of saline while 250 mL is drawn."),
    ],
)
def test_a_touch_is_headed_by_what_is_done(stroke, title, sentence):
    assert (stroke_title(stroke, 9), stroke_sentence(stroke)) == (title, sentence)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"as": "first", "second": ""}, "unit 1 checked, first check"),
        ({"as": "second", "second": ""}, "unit 1 checked, second check"),
        (
            {"as": "second", "second": "B. Quayle"},
            "unit 1 checked, second check by B. Quayle, who proved themselves there",
        ),
        (
            {"as": "both", "second": "B. Quayle"},
            "unit 1 checked, first check; second check by B. Quayle, who proved themselves there",
        ),
        ({"as": "alone", "second": ""}, "unit 1 checked, by one person in an emergency"),
        ({}, "unit 1 checked"),
    ],
)
def test_each_check_of_a_unit_says_which_it_was_and_whose(body, words):
    """The entry stands under the name of whoever was signed in; else both checks read as one person's."""
    assert entry_words("unit_checked", {"unit": 1, **body}) == words


def test_a_step_in_which_nothing_is_given_is_named_a_draw():
    assert step_name(PlannedStep(1, "saline", 0.0, 260.0)) == "Draw"
    assert step_name(PlannedStep(2, "red_cells", 516.0, 500.0, (1, 2))) == "Red cells 1, 2"


def test_more_than_the_slow_start_of_a_unit_is_said_and_as_much_is_not():
    # At most 50 mL in the first 15 minutes: clinical pages of NZ Blood.
    assert slow_words(2, 50.0, most_ml=50.0, until="10:15") == ""
    words = "51 mL of unit 2 by 10:15 is more than the 50 mL of its slow start."
    assert slow_words(2, 51.0, most_ml=50.0, until="10:15") == words
