"""Spans of days, half open."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.core.numeric.dayspan import DaySpan

days = st.dates(min_value=date(2020, 1, 1), max_value=date(2020, 3, 1))
spans = st.tuples(days, days).map(lambda pair: DaySpan(min(pair), max(pair)))


def test_the_end_does_not_belong_to_the_span():
    span = DaySpan(date(2026, 5, 30), date(2026, 6, 2))
    assert span.days == 3
    assert span.each_day() == (date(2026, 5, 30), date(2026, 5, 31), date(2026, 6, 1))
    assert span.contains(date(2026, 5, 30))
    assert not span.contains(date(2026, 6, 2))


def test_spans_that_only_touch_do_not_overlap():
    first = DaySpan(date(2026, 5, 1), date(2026, 5, 8))
    second = DaySpan(date(2026, 5, 8), date(2026, 5, 15))
    assert not first.overlaps(second)
    assert not second.overlaps(first)


def test_a_span_that_ends_before_it_starts_is_refused():
    with pytest.raises(ValueError, match=r"cannot end \(2026-05-01\) before it starts \(2026-05-02\)"):
        DaySpan(date(2026, 5, 2), date(2026, 5, 1))


@given(spans, spans)
def test_spans_of_some_days_overlap_when_they_share_a_day(one, other):
    shared = set(one.each_day()) & set(other.each_day())
    if one.days and other.days:
        assert one.overlaps(other) == bool(shared)
    assert one.overlaps(other) == other.overlaps(one)


@given(spans, days)
def test_a_span_contains_what_it_lists(span, day):
    assert span.contains(day) == (day in span.each_day())
    assert span.days == len(span.each_day()) == (span.end - span.start) // timedelta(days=1)
