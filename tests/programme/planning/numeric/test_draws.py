"""Bags of blood: they add up, none is over its limit, and they are said as they are drawn."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.planning.numeric.draws import draws_of, draws_words


@given(st.floats(1.0, 3000.0), st.floats(20.0, 600.0))
def test_bags_add_up_to_the_volume_and_none_is_larger_than_allowed(out_ml, size_ml):
    bags = draws_of(out_ml, size_ml, size_ml + 15.0)
    assert sum(bags) == pytest.approx(out_ml, abs=0.5)
    assert all(bag <= max(size_ml, 10.0) + 15.0 + 1e-9 for bag in bags)


def test_nobody_draws_another_bag_for_a_little():
    assert draws_of(260, 250, 480) == (260,)
    assert draws_of(520, 250, 480) == (250, 270)
    assert draws_of(350, 250, 480) == (250, 100)
    assert draws_of(190, 250, 182) == (180, 10)  # no bag over the limit of one draw


@pytest.mark.parametrize(
    ("out_ml", "words"), [(0, ""), (260, "1 × 260"), (520, "250, 270"), (370, "250, 120"), (750, "3 × 250")]
)
def test_bags_are_said_as_they_are_drawn(out_ml, words):
    assert draws_words(draws_of(out_ml, 250, 480)) == words
