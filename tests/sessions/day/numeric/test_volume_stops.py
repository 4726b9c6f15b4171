"""The most saline and blood drawn of one session, worked by hand, and when going past it is said."""

import numpy as np
import pytest

from programme.core.numeric.setting_table import DEFAULTS
from sessions.day.numeric.volume_stops import blood_out_stop_ml, is_past, past_words, saline_stop_ml


@pytest.mark.parametrize(
    ("weight_kg", "saline_ml", "out_ml"),
    # 15 mL/kg; 3,500 mL for anybody, and 50 mL/kg for who weighs less than 40 kg: 26 x 50 is 1,300, 39.9 x 50 1,995.
    [(26.0, 390.0, 1300.0), (39.9, 598.5, 1995.0), (40.0, 600.0, 3500.0), (60.0, 900.0, 3500.0)],
)
def test_the_stops_of_volume_by_weight(weight_kg: float, saline_ml: float, out_ml: float) -> None:
    assert float(saline_stop_ml(weight_kg, DEFAULTS)) == pytest.approx(saline_ml)
    assert float(blood_out_stop_ml(weight_kg, DEFAULTS)) == pytest.approx(out_ml)


def test_people_together_have_the_stops_of_each_by_themselves() -> None:
    people = np.array([26.0, 39.9, 40.0, 60.0])
    for stop in (saline_stop_ml, blood_out_stop_ml):
        assert stop(people, DEFAULTS).tolist() == [float(stop(one, DEFAULTS)) for one in people]


def test_what_a_bag_holds_over_its_label_is_not_past() -> None:
    assert [is_past(done, 900.0) for done in (900.0, 910.0, 911.0)] == [False, False, True]


def test_words_name_the_stop_and_what_was_signed_beyond_it() -> None:
    assert past_words(3510.0, 3500.0, 1800.0) == ""
    assert past_words(3600.0, 3500.0, 1800.0) == "3,600 mL; allowed is 3,500 mL"
    assert past_words(3800.0, 3500.0, 3800.0) == ""
    assert past_words(3900.0, 3500.0, 3800.0) == "3,900 mL; allowed is 3,500 mL, and the signed plan has 3,800 mL"
