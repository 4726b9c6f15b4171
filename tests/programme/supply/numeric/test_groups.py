"""How many samples a group rests on."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from programme.supply.numeric.groups import GroupSamples, group_samples

FIRST = datetime(2026, 1, 5, 9, tzinfo=UTC)
SECOND = FIRST + timedelta(days=40)


def test_samples_that_agree_are_counted_and_others_named():
    found = group_samples([(SECOND, "A +"), (FIRST, "O +"), (FIRST + timedelta(days=1), "O +")], "O +")
    assert found == GroupSamples((FIRST, FIRST + timedelta(days=1)), ((SECOND, "A +"),))


def test_one_sample_that_was_entered_twice_is_one():
    """Independent samples are two events with two checks of identity (BCSH recommendation 12, as quoted)."""
    assert group_samples([(FIRST, "O +"), (FIRST, "O +")], "O +").agree == (FIRST,)


@given(st.lists(st.tuples(st.datetimes(), st.sampled_from(["O +", "A +"])), unique_by=lambda one: one[0]))
def test_every_sample_either_agrees_or_differs(samples):
    found = group_samples(samples, "O +")
    assert len(found.agree) + len(found.differ) == len(samples)
