"""Forecast against measured as printed and drawn, and which open days are shown."""

import pytest

from programme.bedside.numeric.against import against, days_to_show
from sessions.day.numeric.after import Figure

HBS = Figure(16.0, 15.0, 17.0)


@pytest.mark.parametrize(
    ("measured", "words", "parted"),
    [
        (16.4, "inside", False),
        (15.0, "inside", False),
        (17.1, "above eight in ten", True),
        (14.2, "below eight in ten", True),
        (None, "not measured yet", False),
    ],
)
def test_a_measured_value_is_inside_above_or_below(measured: float | None, words: str, parted: bool) -> None:
    line = against("HbS after", HBS, measured, "%", places=1, step=2)
    assert (line.words, line.parted) == (words, parted)
    assert (line.forecast, line.span) == ("16.0", "15.0 to 17.0")
    assert line.measured == ("" if measured is None else f"{measured:.1f}")


def test_bar_and_dot_lie_on_the_printed_scale() -> None:
    line = against("HbS after", HBS, 19.0, "%", places=1, step=2)
    # By hand: the room is 1.3 on both sides, so the scale is 13.7 to 20.3 rounded outwards to 12 to 22, over 190 units.
    assert (line.bar.low, line.bar.high) == ("12", "22")
    assert float(line.bar.band_x) == pytest.approx(30 + 190 * 3 / 10)
    assert float(line.bar.band_width) == pytest.approx(190 * 2 / 10)
    assert float(line.bar.middle) == pytest.approx(30 + 190 * 4 / 10)
    assert float(line.bar.dot) == pytest.approx(30 + 190 * 7 / 10)


def test_a_bar_never_begins_under_nothing() -> None:
    line = against("HbS after", Figure(1.0, -0.5, 2.5), 0.4, "%", places=1, step=2)
    assert line.bar.low == "0"
    assert float(line.bar.band_x) == 30.0


OPEN = [(f"2026-12-{day:02d}", day, day / 100) for day in range(1, 15)]


def shown(**given: str) -> list[tuple[int, bool, bool, bool]]:
    days = days_to_show(OPEN, **{"suggested": "2026-12-08", "last_safe": "2026-12-08", **given})
    return [(day.days, day.suggested, day.last_safe, day.late) for day in days]


def test_four_safe_days_and_three_late_ones_are_shown() -> None:
    assert shown() == [
        (5, False, False, False), (6, False, False, False), (7, False, False, False), (8, True, True, False),
        (9, False, False, True), (10, False, False, True), (11, False, False, True),
    ]  # fmt: skip


def test_the_suggested_day_is_always_among_them() -> None:
    assert shown(suggested="2026-12-03")[0][:2] == (3, True)
    assert [day for day in shown(suggested="2026-12-10") if day[1]] == [(10, True, False, True)]


def test_a_last_safe_day_that_is_closed_gives_its_line_to_the_open_day_before() -> None:
    days = days_to_show(OPEN[:6] + OPEN[8:], suggested="2026-12-05", last_safe="2026-12-08")
    assert [day.days for day in days if day.last_safe] == [6]


def test_where_every_open_day_is_late_the_first_ones_are_shown() -> None:
    days = days_to_show(OPEN, suggested="2026-12-01", last_safe="2026-11-20")
    assert [(day.days, day.late) for day in days] == [(1, True), (2, True), (3, True)]
