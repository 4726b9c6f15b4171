"""What a plan foresaw for the days after it, and how the plan of such a day parts from it."""

from datetime import date

import pytest

from sessions.day.numeric.foreseen import ForeseenDay, against_foreseen, series_foreseen

MONDAY = date(2026, 6, 1)
ROWS = [
    {"date": "2026-06-01", "units": 7, "hbs_before_pct": 35.8, "hbs_after_pct": 14.3, "hb_before_g_l": 97,
     "hb_after_g_l": 116},
    {"date": "2026-06-02", "units": 2, "hbs_before_pct": 15.1, "hbs_after_pct": 13.1, "hb_before_g_l": 116,
     "hb_after_g_l": 101},
    {"date": "2026-06-03", "units": 3, "hbs_before_pct": 13.9, "hbs_after_pct": 12.0, "hb_before_g_l": 101,
     "hb_after_g_l": 100},
]  # fmt: skip


def of_june(day):
    return date(2026, 6, day)


def units_of(on, *others, begins=None):
    found = series_foreseen(ROWS, 12.3).session_of(of_june(on), map(of_june, others), begins=begins)
    return None if found is None else found.units


def test_one_session_is_no_series():
    assert series_foreseen(ROWS[:1], 12.3) is None
    assert series_foreseen(None, 12.3) is None
    assert series_foreseen(ROWS[:2], 12.3).next_on == of_june(2)


@pytest.mark.parametrize(
    ("on", "others", "units"),
    [
        (1, (), None),  # the first is no further one
        (2, (1, 2, 3), 2),
        (3, (1, 2, 3), 3),
        (3, (1, 3), 2),  # the second was moved a day later, or cancelled
        (9, (), 2),  # a week later than foreseen
        (10, (), None),
        (4, (1, 2, 3, 4), None),  # no fourth was foreseen
        (29, (1, 29), None),  # the next exchange, and not one of this series
    ],
)
def test_which_session_of_the_series_a_day_is_goes_by_those_before_it(on, others, units):
    assert units_of(on, *others) == units


def test_a_series_moves_with_its_first_session():
    assert units_of(12, 11, 12, begins=of_june(11)) == 2
    assert units_of(19, 11, 19, begins=of_june(11)) == 2
    assert units_of(20, 11, 20, begins=of_june(11)) is None
    assert series_foreseen(ROWS, 12.3).is_open(of_june(10))
    assert not series_foreseen(ROWS, 12.3).is_open(of_june(11))


def test_the_difference_is_said_for_what_prints_otherwise():
    seen = series_foreseen(ROWS, 12.3).days[1]
    now = ForeseenDay(of_june(2), 1, 113.0, 15.14, None, 13.3)
    assert against_foreseen(seen, now, first_on=MONDAY, targets_pct=(12.3, 15.7)) == (
        "Against what the plan of Mon 1 Jun foresaw for this further session: Hb before 113 instead of 116 g/L; units "
        "1 instead of 2; HbS after 13.3 instead of 13.1 %; end target 15.7 instead of 12.3 %."
    )
    same = against_foreseen(seen, seen, first_on=MONDAY, targets_pct=(12.3, None))
    assert same == "As the plan of Mon 1 Jun foresaw this further session."
