"""Who did not come: from which day on the consultant is to know, and what is said of a child."""

from collections.abc import Set
from datetime import date, timedelta

from programme.booking.numeric.workdays import ONE_DAY, is_working_day, working_days_before

CHILD_UNTIL_YEARS = 18
CHILD_NOT_BROUGHT = "Child not brought: think of safeguarding; follow the local policy."
"""That a child who does not come was not brought by somebody is common practice in safeguarding."""


def to_consultant_on(missed_on: date, after_days: int, holidays: Set[date]) -> date:
    """Return the working day from which a missed visit is the consultant's too.

    The last one within `after_days` calendar days of the visit, so that a weekend makes nobody wait longer; where those
    hold none, the first one after them. Chosen here; the number of days is the site's. Raises ValueError where no
    working day is found.
    """
    last = missed_on + timedelta(days=after_days)
    day = working_days_before(last, 0, holidays)
    while day <= missed_on or not is_working_day(day, holidays):
        day += ONE_DAY
    return day


def is_child(born: date | None, today: date) -> bool:
    """Return whether somebody is under 18 today, by the date; who is born on 29 February comes of age on 1 March."""
    if born is None:
        return False
    return (today.year - born.year - ((today.month, today.day) < (born.month, born.day))) < CHILD_UNTIL_YEARS
