"""Working days, and the day by which blood must be ordered.

The one rule of it: places are ranked by it, and orders for blood are drafted and judged by it.
A working day is Monday to Friday and no bank holiday. Bank holidays come in as a set: which they are is looked up
elsewhere. How long ahead blood is ordered is agreed with the blood bank: every figure is a setting of the site.
"""

from collections.abc import Set
from dataclasses import dataclass
from datetime import date, timedelta

ONE_DAY = timedelta(days=1)
SATURDAY = 5
FURTHEST = 1000
"""Working days beyond which nobody counts: a guard against a set that holds every day."""


@dataclass(frozen=True, slots=True)
class LeadTimes:
    """Working days from the order to the day it is for; holiday_extra: on top where a bank holiday lies between."""

    ordinary: int
    antibody: int
    rare: int
    holiday_extra: int


@dataclass(frozen=True, slots=True)
class OrderBy:
    """The last day for an order; lead_days: working days from it to the day of the session; why: what it rests on."""

    on: date
    lead_days: int
    why: str


@dataclass(frozen=True, slots=True)
class BloodLead:
    """How long ahead one person's blood is ordered. holidays: the bank holidays of the days that are asked about."""

    lead: LeadTimes
    has_antibody: bool
    is_rare: bool
    holidays: frozenset[date]

    def order_by(self, for_on: date) -> OrderBy:
        """The last day on which blood for a session on `for_on` is ordered in time."""
        return order_by(
            for_on, lead=self.lead, has_antibody=self.has_antibody, is_rare=self.is_rare, holidays=self.holidays
        )

    def passed(self, for_on: date, today: date, *, goes_with: date | None = None) -> date | None:
        """Return the day by which blood for a session had to be ordered, where that day has passed; else None.

        goes_with: the day of a place that would be given up for it, whose order moves along. Where that order had to
        be made by now, its blood is there for that day and every later one.
        """
        by = self.order_by(for_on).on
        if by >= today or (goes_with is not None and goes_with <= for_on and self.order_by(goes_with).on < today):
            return None
        return by


def is_working_day(on: date, holidays: Set[date]) -> bool:
    """Return whether a day is Monday to Friday and no bank holiday."""
    return on.weekday() < SATURDAY and on not in holidays


def working_days_before(on: date, count: int, holidays: Set[date]) -> date:
    """Return the day that lies `count` working days before a day.

    A count of 0 gives the day itself, or the last working day before it where it is none. Counting: each working day
    passed on the way back counts one, the day counted from does not.
    Raises ValueError for a negative count, or where no working day is found.
    """
    if not 0 <= count <= FURTHEST:
        raise ValueError(f"{count} working days; allowed are whole numbers from 0 to {FURTHEST}.")
    day, left = on, count
    while left > 0 or not is_working_day(day, holidays):
        day -= ONE_DAY
        if is_working_day(day, holidays):
            left -= 1
            if left <= 0:
                break
        if (on - day).days > 10 * FURTHEST:
            raise ValueError(f"No working day before {on}: the bank holidays leave none.")
    return day


def holidays_between(first: date, last: date, holidays: Set[date]) -> tuple[date, ...]:
    """Return the bank holidays on Monday to Friday from `first` up to the day before `last`, in order."""
    return tuple(sorted(on for on in holidays if first <= on < last and on.weekday() < SATURDAY))


def order_by(for_on: date, *, lead: LeadTimes, has_antibody: bool, is_rare: bool, holidays: Set[date]) -> OrderBy:
    """Return the last day on which blood for a session on `for_on` is ordered in time.

    The longest lead time that applies counts. Where a bank holiday lies between the order and the session, the lead is
    longer by `holiday_extra` working days, for deliveries and searches rest then too. That the holiday itself is no
    working day is counted besides. Chosen here; the figures are the site's.
    """
    days, why = lead.ordinary, "the usual lead time"
    if has_antibody and lead.antibody > days:
        days, why = lead.antibody, "an antibody was found"
    if is_rare and lead.rare > days:
        days, why = lead.rare, "a rare type"
    day = working_days_before(for_on, days, holidays)
    if holidays_between(day, for_on, holidays) and lead.holiday_extra:
        days, why = days + lead.holiday_extra, f"{why}, and a bank holiday lies between"
        day = working_days_before(for_on, days, holidays)
    return OrderBy(day, days, why)
