"""The states of an order, and its units counted."""

from hypothesis import given
from hypothesis import strategies as st

from programme.supply.numeric.orders import MOVES, state_after_answer, tally


@given(confirmed=st.integers(0, 20), units=st.integers(1, 20))
def test_an_answer_is_whole_in_part_or_none(confirmed, units):
    state = state_after_answer(confirmed, units)
    assert state == ("sent" if confirmed == 0 else "confirmed" if confirmed >= units else "part")


def test_what_has_ended_can_be_moved_no_more():
    assert all({"ended", "cancelled"}.isdisjoint(states) for states in MOVES.values())


@given(states=st.lists(st.sampled_from(["arrived", "issued", "given", "returned", "discarded"])))
def test_a_tally_counts_every_unit_once(states):
    found = tally(states)
    assert found.came == len(states) == found.here + found.issued + found.given + found.returned + found.discarded
