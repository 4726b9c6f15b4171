"""More of a unit than its label says, worked by hand."""

import pytest

from sessions.day.numeric.unit_volumes import over_unit_words, over_units_words


@pytest.mark.parametrize(
    ("in_ml", "label_ml", "words"),
    [
        (283, 258, ""),  # 258 and a tenth are 283.8
        (284, 258, "284 mL of unit 1 is more than the 258 mL on its label"),
        (900, 258, "900 mL of unit 1 is more than the 258 mL on its label"),
        (450, None, ""),
        (451, None, "451 mL of unit 1 is more than 450 mL, and its label volume is not kept here"),
        (0, 258, ""),
    ],
)
def test_more_of_a_unit_than_its_label_says_is_told(in_ml: float, label_ml: float | None, words: str) -> None:
    assert over_unit_words(1, in_ml, label_ml) == words


@pytest.mark.parametrize(
    ("in_ml", "labels_ml", "words"),
    [
        (567, (258, 258), ""),  # a tenth over 516 is 567.6
        (568, (258, 258), "568 mL of 2 units, 284 mL each, is more than the 516 mL on their labels"),
        (5160, (258, 258), "5,160 mL of 2 units, 2,580 mL each, is more than the 516 mL on their labels"),
        (733, (258, None), ""),  # 283.8 and 450
        (734, (258, None), "734 mL of 2 units, 367 mL each, is too much"),
        (300, (258,), "300 mL of 1 unit is more than the 258 mL on its label"),
        (500, (), ""),
    ],
)
def test_more_of_all_units_than_their_labels_say_is_told(
    in_ml: float, labels_ml: tuple[float | None, ...], words: str
) -> None:
    assert over_units_words(in_ml, labels_ml) == words
