"""What stands in large letters at the bedside: a touch that only draws is never headed by a fluid."""

import pytest

from programme.bedside.numeric.words import step_name, stroke_sentence, stroke_title
from sessions.day.numeric.strokes import Stroke
from sessions.day.numeric.tally import PlannedStep


@pytest.mark.parametrize(
    ("stroke", "title", "sentence"),
    [
        (Stroke(1, "saline", 260.0, 0.0), "Draw", "Draw 260 mL."),
        (Stroke(2, "red_cells", 250.0, 0.0), "Draw", "Draw 250 mL."),
        (Stroke(2, "red_cells", 0.0, 258.0, 3), "Red cells, unit 3 of 9", "Give unit 3, 258 mL."),
        (Stroke(4, "saline", 250.0, 240.0), "Saline", "Give 240 mL of saline while 250 mL is drawn."),
    ],
)
def test_a_touch_is_headed_by_what_is_done(stroke, title, sentence):
    assert (stroke_title(stroke, 9), stroke_sentence(stroke)) == (title, sentence)


def test_a_step_in_which_nothing_is_given_is_named_a_draw():
    assert step_name(PlannedStep(1, "saline", 0.0, 260.0)) == "Draw"
    assert step_name(PlannedStep(2, "red_cells", 516.0, 500.0, (1, 2))) == "Red cells 1, 2"
