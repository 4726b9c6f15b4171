"""Choices within limits at the least cost: against trying every combination."""

from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from programme.booking.numeric.choosing import Limit, cheapest

CHOICES = 6
LIMITS = st.builds(
    lambda counts, most, least: Limit(tuple(sorted(counts.items())), most, min(least, most)),
    st.dictionaries(st.integers(0, CHOICES - 1), st.integers(1, 2), min_size=1),
    st.integers(0, 3),
    st.integers(0, 1),
)


@settings(max_examples=150)
@given(st.lists(st.integers(-5, 2), min_size=CHOICES, max_size=CHOICES), st.lists(LIMITS, max_size=5))
def test_it_is_as_cheap_as_the_best_of_all_combinations_or_says_that_there_is_none(costs, limits):
    """Independent computation: all 64 combinations are tried."""

    def cost_of(taken):
        sums = [sum(count for choice, count in limit.counts if taken[choice]) for limit in limits]
        holds = all(limit.least <= total <= limit.most for limit, total in zip(limits, sums, strict=True))
        return sum(cost for cost, one in zip(costs, taken, strict=True) if one) if holds else None

    sums = [found for taken in product([0, 1], repeat=CHOICES) if (found := cost_of(taken)) is not None]
    answer = cheapest(costs, limits)
    if not sums:
        assert answer is None
    else:
        assert answer is not None
        assert cost_of([int(choice in answer) for choice in range(CHOICES)]) == min(sums)


def test_nothing_to_choose_from_is_nothing_taken():
    assert cheapest([], []) == frozenset()
    assert cheapest([1, -2], []) == frozenset({1})
