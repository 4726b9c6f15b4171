"""Numbers as they are printed and stored: rounded once, whole ones without a point, nothing for what is not known."""

from __future__ import annotations

import json

import numpy as np
import pytest

from programme.planning.printed import as_lists, number, numbers
from programme.planning.stored import mixing_words
from sessions.numeric.attendance import Attendance


@pytest.mark.parametrize("places", [0, 1, 4])
def test_many_numbers_are_printed_as_one_by_one(places):
    values = np.random.default_rng(5).normal(20.0, 15.0, (40, 7))
    values[3, 2], values[7, 0] = np.nan, np.inf
    assert json.dumps(numbers(values, places)) == json.dumps([[number(v, places) for v in row] for row in values])


def test_no_minus_stands_before_nought():
    assert json.dumps(numbers(np.array([-0.001, 0.0]), 1)) == "[0.0, 0.0]"


def test_a_record_of_arrays_is_read_as_plain_numbers():
    plain = as_lists(Attendance(np.array([0.25, 0.5]), (3, 7)))
    assert (plain.late_share, plain.delays) == ([0.25, 0.5], (3, 7))


@pytest.mark.parametrize(("sessions", "words"), [(1, "1 session removed 98 in"), (7, "7 sessions removed 98 in")])
def test_the_sessions_behind_a_mixing_volume_are_counted_in_words(sessions, words):
    assert mixing_words(sessions, 1.02).startswith(words)
