"""Working days and order-by days, worked by hand on calendars of 2026 with the bank holidays of England."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.booking.numeric.workdays import (
    LeadTimes,
    holidays_between,
    is_working_day,
    order_by,
    working_days_before,
)

# Bank holidays of England in 2026 (GOV.UK, bank holidays): Good Friday 3 April, Easter Monday 6 April, 4 and 25 May,
# 25 December and 28 December (for Boxing Day, a Saturday).
ENGLAND = frozenset({date(2026, 4, 3), date(2026, 4, 6), date(2026, 5, 4), date(2026, 5, 25), date(2026, 12, 25),
                     date(2026, 12, 28)})  # fmt: skip
LEAD = LeadTimes(ordinary=4, antibody=10, rare=12, holiday_extra=2)


def by(for_on: date, *, has_antibody: bool = False, is_rare: bool = False, lead: LeadTimes = LEAD) -> date:
    return order_by(for_on, lead=lead, has_antibody=has_antibody, is_rare=is_rare, holidays=ENGLAND).on


@pytest.mark.parametrize(
    ("on", "count", "expected"),
    [
        (date(2026, 6, 12), 4, date(2026, 6, 8)),  # Friday back over Thu, Wed, Tue to Monday
        (date(2026, 6, 9), 4, date(2026, 6, 3)),  # Tuesday back over the weekend: Mon, Fri, Thu, Wed
        (date(2026, 6, 13), 0, date(2026, 6, 12)),  # a Saturday: the Friday before
        (date(2026, 6, 13), 1, date(2026, 6, 12)),
        (date(2026, 6, 12), 0, date(2026, 6, 12)),
        (date(2026, 4, 8), 2, date(2026, 4, 2)),  # Wed: Tue 7, then Easter Monday and Good Friday are no days
        (date(2026, 12, 30), 2, date(2026, 12, 24)),  # Tue 29, then Mon 28 and Fri 25 are none, Thu 24
    ],
)
def test_working_days_are_counted_back_as_by_hand(on, count, expected):
    assert working_days_before(on, count, ENGLAND) == expected


def test_a_count_below_nought_or_no_working_day_at_all_is_refused():
    with pytest.raises(ValueError, match="allowed are whole numbers from 0"):
        working_days_before(date(2026, 6, 1), -1, ENGLAND)
    never = frozenset(date(1990, 1, 1) + timedelta(days=step) for step in range(14_000))
    with pytest.raises(ValueError, match="leave none"):
        working_days_before(date(2026, 6, 1), 1, never)


@given(
    on=st.dates(date(2026, 1, 1), date(2026, 12, 31)),
    count=st.integers(0, 60),
    holidays=st.frozensets(st.dates(date(2025, 9, 1), date(2026, 12, 31)), max_size=12),
)
def test_working_days_agree_with_an_independent_calendar(on, count, holidays):
    """Independent computation: numpy's business-day functions (numpy.busday_offset, numpy.is_busday)."""
    days = sorted(holidays)
    # From a day that is none, numpy is asked to begin at the next working day, which then counts as the first passed.
    expected = np.busday_offset(on, -count, roll="backward" if count == 0 else "forward", holidays=days)
    assert working_days_before(on, count, holidays) == expected.astype(date)
    assert is_working_day(on, holidays) == bool(np.is_busday(on, holidays=days))


def test_the_longest_lead_time_that_applies_counts():
    friday = date(2026, 6, 26)
    assert by(friday) == date(2026, 6, 22)
    assert by(friday, has_antibody=True) == date(2026, 6, 12)  # ten working days: two weeks
    assert by(friday, has_antibody=True, is_rare=True) == date(2026, 6, 10)
    assert by(friday, has_antibody=True, lead=LeadTimes(4, 2, 2, 0)) == date(2026, 6, 22)


def test_a_bank_holiday_between_makes_it_longer_besides_being_no_working_day():
    """By hand, for Wednesday 27 May 2026: Tue 26 one, Mon 25 is a holiday, Fri 22 two, Thu 21 three, Wed 20 four; the
    holiday lies between, so two more: Tue 19, Mon 18."""
    found = order_by(date(2026, 5, 27), lead=LEAD, has_antibody=False, is_rare=False, holidays=ENGLAND)
    assert (found.on, found.lead_days) == (date(2026, 5, 18), 6)
    assert found.why == "the usual lead time, and a bank holiday lies between"


def test_a_holiday_that_does_not_lie_between_changes_nothing():
    # Tuesday 2 June: Mon 1, Fri 29, Thu 28, Wed 27 May; Monday 25 May lies before that.
    assert by(date(2026, 6, 2)) == date(2026, 5, 27)
    # Friday 22 May: the holiday comes after it.
    assert by(date(2026, 5, 22)) == date(2026, 5, 18)
    assert holidays_between(date(2026, 5, 25), date(2026, 5, 26), ENGLAND) == (date(2026, 5, 25),)
    assert holidays_between(date(2026, 5, 24), date(2026, 5, 25), ENGLAND) == ()


def test_a_holiday_on_a_weekend_is_none_that_lies_between():
    saturday = frozenset({date(2026, 6, 6)})
    found = order_by(date(2026, 6, 9), lead=LEAD, has_antibody=False, is_rare=False, holidays=saturday)
    assert (found.on, found.lead_days) == (date(2026, 6, 3), 4)


@given(on=st.dates(date(2026, 1, 1), date(2026, 12, 31)), ordinary=st.integers(0, 30), extra=st.integers(0, 10))
def test_more_lead_time_never_makes_the_last_day_later(on, ordinary, extra):
    lead, longer = LeadTimes(ordinary, 0, 0, extra), LeadTimes(ordinary + 1, 0, 0, extra)
    assert by(on, lead=longer) <= by(on, lead=lead) <= on
    assert is_working_day(by(on, lead=lead), ENGLAND)
