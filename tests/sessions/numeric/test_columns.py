"""Columns of past sessions: order, checks and choices of rows and people."""

import numpy as np
import pytest

from sessions.numeric.columns import SessionColumns


def three_people() -> SessionColumns:
    return SessionColumns.build(
        person=[2, 0, 2, 0], day=[40, 30, 10, 5], hbs_before_pct=[33.0, 28.0, 40.0, 31.0], n_people=3
    )


def test_rows_are_put_in_order_of_person_and_day():
    columns = three_people()
    assert columns.person.tolist() == [0, 0, 2, 2]
    assert columns.day.tolist() == [5, 30, 10, 40]
    assert columns.hbs_before_pct.tolist() == [31.0, 28.0, 40.0, 33.0]
    assert columns.starts().tolist() == [0, 2, 2, 4]
    assert columns.sequence().tolist() == [0, 1, 0, 1]


def test_what_is_left_out_is_not_known():
    columns = three_people()
    assert np.isnan(columns.hbs_after_pct).all()
    assert columns.gap_known.all()
    assert (columns.topup_hb_g == 0.0).all()
    assert (columns.method == -1).all()


def test_until_keeps_people_and_leaves_later_rows_out():
    known = three_people().until(30)
    assert known.day.tolist() == [5, 30, 10]
    assert known.n_people == 3


def test_taken_people_are_numbered_in_the_order_given():
    taken = three_people().take_people(np.array([2, 1]))
    assert taken.n_people == 2
    assert taken.person.tolist() == [0, 0]
    assert taken.day.tolist() == [10, 40]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"person": [0, 0], "day": [3, 3], "hbs_before_pct": [30.0, 31.0]}, "two sessions on day 3"),
        ({"person": [0, 5], "day": [3, 4], "hbs_before_pct": [30.0, 31.0], "n_people": 2}, "allowed is 0 to 1"),
        ({"person": [0], "day": [3], "hbs_before_pct": [30.0, 31.0]}, "one figure for each session"),
        ({"person": [0], "day": [3], "hbs_before_pct": [30.0], "hbs": [1.0]}, "No such columns: hbs"),
    ],
)
def test_bad_columns_are_refused_with_what_is_allowed(given, said):
    with pytest.raises(ValueError, match=said):
        SessionColumns.build(**given)
