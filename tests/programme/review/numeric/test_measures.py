"""Measures of a small programme that can be counted by hand. Figures are worked out in the tests, not from a source."""

import numpy as np
import pytest

from programme.review.numeric.measures import Columns, count_all, days_under, person_years

FAR = 10**6


def columns(rows, last_day, **figures):
    """rows: (person, day, before, after)."""
    person, day, before, after = (np.array(part) for part in zip(*rows, strict=True))
    n = len(rows)
    plain = {
        "ceiling_pct": np.full(n, 30.0), "planned_days": np.full(n, 28.0), "end_target_pct": np.full(n, 10.0),
        "units": np.full(n, 4.0), "balance_ml_kg": np.full(n, 1.0), "net_iron_mg_kg": np.full(n, 3.0),
        "points_per_unit": np.full(n, 3.0), "after_measured_pct": after.astype(float),
    }  # fmt: skip
    return Columns(
        person=person, day=day, before_pct=before.astype(float), after_pct=after.astype(float),
        last_day=np.array(last_day), **(plain | figures),
    )  # fmt: skip


def test_days_under_follow_the_line_between_sessions():
    # 10 % rising a point a day: at 30 % after 20 of the 28 days, then the last session carried on to the end.
    made = columns([(0, 0, 38, 10), (0, 28, 38, 10)], [FAR])
    count = days_under(made, 0, 27)
    assert (count.numerator[0], count.denominator[0], count.missing) == (20, 28, 0)


def test_who_missed_visits_counts_to_the_end_of_the_span():
    made = columns([(0, 0, 38, 10), (0, 28, 38, 10)], [FAR])
    count = days_under(made, 28, 127)
    assert (count.numerator[0], count.denominator[0]) == (20, 100)


def test_leaving_ends_the_days_and_the_years():
    made = columns([(0, 0, 38, 10), (0, 28, 38, 10)], [37])
    assert days_under(made, 28, 127).denominator[0] == 10
    assert person_years(made, 0, 127)[0] == pytest.approx(38 / 365.25)


def test_days_before_the_first_session_are_not_counted():
    assert person_years(columns([(0, 50, 38, 10)], [FAR]), 0, 99)[0] == pytest.approx(50 / 365.25)
    assert person_years(columns([(0, 150, 38, 10)], [FAR]), 0, 99)[0] == 0


def test_a_gap_with_an_unknown_end_is_missing():
    made = columns([(0, 0, 38, 10), (0, 28, np.nan, 10), (0, 56, 38, 10)], [FAR])
    count = days_under(made, 0, 55)
    assert (count.denominator[0], count.missing) == (28, 28)


def test_shares_by_session_with_what_is_missing():
    made = columns([(0, 0, 29, 10), (0, 28, 31, 10), (0, 60, np.nan, 14), (1, 5, 30, np.nan)], [FAR, FAR])
    found = count_all(made, 0, 99, grace_days=3)
    assert found["under_sessions"].numerator.tolist() == [1, 1]
    assert found["under_sessions"].denominator.tolist() == [2, 1]
    assert found["under_sessions"].missing == 1
    assert (found["on_time"].numerator[0], found["on_time"].denominator[0]) == (1, 2)
    assert (found["near_target"].numerator.sum(), found["near_target"].denominator.sum()) == (2, 3)
    assert found["both_results"].numerator.tolist() == [2, 0]
    assert found["units"].numerator.tolist() == [12, 4]


def test_iron_leaves_out_who_was_there_for_less_than_ninety_days():
    made = columns([(0, 0, 29, 10), (1, 70, 29, 10)], [FAR, FAR])
    iron = count_all(made, 0, 99, grace_days=3)["iron"]
    assert iron.denominator.tolist() == [pytest.approx(100 / 365.25), 0]
    assert iron.numerator.tolist() == [3, 0]
