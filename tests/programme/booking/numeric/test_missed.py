"""From when a missed visit is the consultant's too, and who is a child: worked by hand on the calendar."""

from datetime import date

import pytest

from programme.booking.numeric.missed import is_child, to_consultant_on

EASTER_2026 = frozenset({date(2026, 4, 3), date(2026, 4, 6)})
"""Good Friday and Easter Monday in England (gov.uk/bank-holidays)."""


@pytest.mark.parametrize(
    ("missed_on", "days", "expected"),
    [
        (date(2026, 11, 23), 3, date(2026, 11, 26)),  # Monday: Thursday
        (date(2026, 11, 26), 3, date(2026, 11, 27)),  # Thursday: Sunday, so the Friday before it
        (date(2026, 11, 27), 3, date(2026, 11, 30)),  # Friday: Monday
        (date(2026, 11, 27), 1, date(2026, 11, 30)),  # Friday: Saturday; Friday is the day itself, so Monday
        (date(2026, 4, 2), 3, date(2026, 4, 7)),  # Maundy Thursday: no working day before Tuesday
        (date(2026, 4, 1), 3, date(2026, 4, 2)),  # the Wednesday before it: Saturday, so Maundy Thursday
    ],
)
def test_a_missed_visit_goes_to_the_consultant_on_a_working_day(missed_on, days, expected):
    assert to_consultant_on(missed_on, days, EASTER_2026) == expected


@pytest.mark.parametrize(
    ("born", "today", "child"),
    [
        (date(2008, 2, 29), date(2026, 2, 28), True),
        (date(2008, 2, 29), date(2026, 3, 1), False),
        (date(2008, 6, 1), date(2026, 6, 1), False),
        (date(2008, 6, 2), date(2026, 6, 1), True),
        (None, date(2026, 6, 1), False),
    ],
)
def test_a_child_is_under_eighteen_by_the_date(born, today, child):
    assert is_child(born, today) is child
