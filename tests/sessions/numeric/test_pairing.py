"""Which session a loose result belongs to: only where the times leave no doubt.

A value counts as 'before' for up to 72 hours: common practice, a setting of the site.
"""

from datetime import UTC, date, datetime

import pytest

from sessions.numeric.pairing import LooseResult, Pair, SessionTimes, pair_results

DAY = date(2026, 5, 4)


def at(day: int, hour: int) -> datetime:
    return datetime(2026, 5, day, hour, tzinfo=UTC)


def result(taken_at: datetime | None, *, key: int = 1, on: date | None = None, analyte: str = "HbS") -> LooseResult:
    day = on or (taken_at.date() if taken_at else DAY)
    return LooseResult(key, analyte, day, taken_at)


TIMED = SessionTimes(10, DAY, at(4, 9), at(4, 13))
UNTIMED = SessionTimes(10, DAY, None, None)


@pytest.mark.parametrize(("taken_at", "position"), [
    (at(1, 9), "before"), (at(1, 8), ""), (at(3, 9), "before"), (at(4, 9), "before"),
    (at(4, 11), ""),  # while it runs
    (at(4, 13), "after"), (at(4, 15), "after"), (at(5, 13), "after"), (at(5, 14), ""),
])  # fmt: skip
def test_with_both_times_known(taken_at: datetime, position: str) -> None:
    pairs = pair_results([result(taken_at)], [TIMED], set(), before_hours=72)
    assert pairs == ([Pair(1, 10, position)] if position else [])


@pytest.mark.parametrize(("day", "position"), [
    (date(2026, 4, 30), ""), (date(2026, 5, 1), "before"), (date(2026, 5, 3), "before"), (DAY, ""),
    (date(2026, 5, 5), ""),
])  # fmt: skip
def test_with_days_only_the_day_itself_leaves_doubt(day: date, position: str) -> None:
    pairs = pair_results([result(None, on=day)], [UNTIMED], set(), before_hours=72)
    assert pairs == ([Pair(1, 10, position)] if position else [])


def test_the_nearest_result_goes_in_and_one_only() -> None:
    far, near = result(at(2, 9), key=1), result(at(3, 9), key=2)
    assert pair_results([far, near], [TIMED], set(), before_hours=72) == [Pair(2, 10, "before")]
    other = result(at(2, 9), key=3, analyte="Hb")
    assert pair_results([near, other], [TIMED], set(), before_hours=72) == [
        Pair(2, 10, "before"),
        Pair(3, 10, "before"),
    ]


def test_a_place_that_is_taken_stays() -> None:
    assert pair_results([result(at(3, 9))], [TIMED], {(10, "before", "HbS")}, before_hours=72) == []


def test_a_result_between_two_sessions_goes_to_the_nearer_one_only() -> None:
    next_one = SessionTimes(11, date(2026, 5, 6), at(6, 9), at(6, 12))
    assert pair_results([result(at(4, 16))], [TIMED, next_one], set(), before_hours=72) == [Pair(1, 10, "after")]
