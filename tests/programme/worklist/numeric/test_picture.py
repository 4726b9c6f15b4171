from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.worklist.numeric.picture import (
    Scale,
    apart,
    area_path,
    coordinate,
    cut,
    line_path,
    month_bar,
    part_over,
    value_at,
)


def test_coordinates_have_one_decimal_at_most():
    assert (coordinate(12.04), coordinate(3.25), coordinate(-0.5)) == ("12", "3.2", "-0.5")


def test_scale_maps_its_ends_and_holds_what_lies_beyond():
    scale = Scale(5, 43, 240, 12)
    assert (scale.at(5), scale.at(43), scale.held(99)) == (240, 12, 12)
    with pytest.raises(ValueError, match="low < high"):
        Scale(3, 3, 0, 1)


@given(st.floats(-5, 60))
def test_value_at_agrees_with_numpy_interp(day):
    """Reference library: numpy.interp (piecewise linear, level beyond the ends)."""
    days, values = [0, 7, 21, 49], [12.0, 16.0, 20.0, 33.0]
    assert value_at(days, values, day) == pytest.approx(np.interp(day, days, values))


def test_value_at_refuses_days_without_values():
    with pytest.raises(ValueError, match="cannot be read"):
        value_at([1, 2], [3.0], 1)


def test_cut_ends_on_the_asked_day():
    assert cut([0, 7, 14], [10.0, 17.0, 24.0], 10) == ([0, 7, 10], [10.0, 17.0, 20.0])
    assert cut([0, 7, 14], [10.0, 17.0, 24.0], 99) == ([0, 7, 14], [10.0, 17.0, 24.0])


def test_paths():
    assert line_path([(0, 1.25), (2, 3)]) == "M0 1.2L2 3"
    assert area_path([(0, 1), (1, 1)], [(0, 2), (1, 2)]) == "M0 1L1 1L1 2L0 2Z"


def _area(part):
    upper, lower = part
    x = [p[0] for p in upper]
    return np.trapezoid([u[1] - low[1] for u, low in zip(upper, lower, strict=True)], x)


def test_part_over_a_rising_band_is_the_area_above_the_line():
    """By hand: the band 0..10 wide rises 1 a day from 0; over 5 lies a triangle, then a widening-to-full piece."""
    days, low, high = [0.0, 20.0], [-10.0, 10.0], [0.0, 20.0]
    parts = part_over(days, low, high, 5)
    assert len(parts) == 1
    assert _area(parts[0]) == pytest.approx(10 * 10 / 2 + 5 * 10)


@given(st.lists(st.floats(0, 40), min_size=3, max_size=8), st.floats(1, 10), st.floats(5, 35))
def test_part_over_has_the_area_that_fine_sampling_finds(low, width, line):
    """Independent computation: the integral of max(high, line) - max(low, line) by fine sampling."""
    days = [7.0 * i for i in range(len(low))]
    high = [value + width for value in low]
    fine = np.linspace(0, days[-1], 20001)
    top, bottom = np.interp(fine, days, high), np.interp(fine, days, low)
    expected = np.trapezoid(np.maximum(top, line) - np.maximum(bottom, line), fine)
    found = sum(_area(part) for part in part_over(days, low, high, line))
    assert found == pytest.approx(expected, abs=0.02)


def test_a_band_under_the_line_has_no_part_over():
    assert part_over([0, 7], [1.0, 2.0], [3.0, 4.0], 4.0) == []


def test_months_follow_the_calendar():
    scale = Scale(date(2025, 12, 10).toordinal(), date(2026, 3, 5).toordinal(), 0, 340)
    months = month_bar(scale)
    assert [m.label for m in months] == ["Dec", "2026", "Feb", ""]
    assert [m.filled for m in months] == [False, True, False, True]
    assert sum(float(m.width) for m in months) == pytest.approx(340, abs=0.3)


def test_narrow_months_keep_quarters_then_years_only():
    wide = (date(2020, 1, 1).toordinal(), date(2026, 1, 1).toordinal())
    quarters = {m.label for m in month_bar(Scale(*wide, 0, 1200))} - {""}
    assert quarters == {"2020", "2021", "2022", "2023", "2024", "2025", "Apr", "Jul", "Oct"}
    assert {m.label for m in month_bar(Scale(*wide, 0, 300))} - {""} == {str(y) for y in range(2020, 2026)}


def test_labels_keep_their_distance_and_the_last_is_kept():
    assert apart([0, 5, 10, 30, 34], 12) == [False, False, True, False, True]
