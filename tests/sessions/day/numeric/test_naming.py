"""What an undo, a time put right and a settled conflict may name."""

import re
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from sessions.day.numeric.naming import faults_among, moment_near

LONDON = ZoneInfo("Europe/London")
NINE = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
KINDS = {3: "moved", 4: "moved", 5: "unit_started", 6: "start_check", 7: "undo"}


def faults(kind: str, body: dict, undone: frozenset[int] = frozenset()) -> tuple[str, ...]:
    return faults_among(kind, body, kinds=KINDS, undone=undone, at=NINE, started_at=NINE - timedelta(hours=2))


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (9, "Entry 9 does not exist"),
        (5, r"Entry 5 \(unit started\) cannot be undone here"),
        (6, r"Entry 6 \(start check\) cannot be undone here"),
        (7, r"Entry 7 \(undo\) cannot be undone here"),
    ],
)
def test_what_cannot_be_undone(number: int, words: str) -> None:
    (said,) = faults("undo", {"number": number})
    assert re.match(words, said)


def test_an_entry_is_undone_once() -> None:
    assert faults("undo", {"number": 3}) == ()
    assert faults("undo", {"number": 3}, frozenset({3})) == ("Entry 3 was undone already.",)


def test_both_names_two_volumes() -> None:
    assert faults("both", {"numbers": [3, 4]}) == ()
    for numbers in ([3, 3], [3, 5]):
        assert faults("both", {"numbers": numbers}) == (
            "Two different volume entries are named to say that both happened.",
        )


@pytest.mark.parametrize(
    ("was", "clock", "found"),
    [
        ("2026-06-02T00:05", "23:58", "2026-06-01T23:58"),
        ("2026-06-01T23:58", "00:02", "2026-06-02T00:02"),
        ("2026-06-01T10:15", "10:05", "2026-06-01T10:05"),
        ("2026-06-01T10:15", "14:00", "2026-06-01T14:00"),
        ("2026-06-01T10:15", "23:00", "2026-06-01T23:00"),
    ],
)
def test_a_clock_put_right_over_midnight_is_of_the_day_that_is_near(was: str, clock: str, found: str) -> None:
    moment = datetime.fromisoformat(was).replace(tzinfo=LONDON)
    assert moment_near(moment, time.fromisoformat(clock), LONDON).isoformat() == f"{found}:00+01:00"


def test_a_clock_put_right_in_the_night_of_a_change_of_clocks() -> None:
    """Back on 25 October 2026 at 01:00 UTC, so 01:30 is twice, at 00:30 and 01:30 UTC; forward on 29 March 2026."""
    for was, hour in ((datetime(2026, 10, 25, 0, 20, tzinfo=UTC), 0), (datetime(2026, 10, 25, 1, 50, tzinfo=UTC), 1)):
        assert moment_near(was, time(1, 30), LONDON).astimezone(UTC).hour == hour
    with pytest.raises(ValueError, match="01:30 did not exist on that day"):
        moment_near(datetime(2026, 3, 29, 1, 10, tzinfo=UTC), time(1, 30), LONDON)


@pytest.mark.parametrize(
    ("minutes", "words"), [(0, ""), (-359, ""), (1, "in the future"), (-361, "more than 4 h before the session")]
)
def test_a_time_is_put_right_within_the_session(minutes: int, words: str) -> None:
    said = faults("time", {"number": 5, "happened_at": (NINE + timedelta(minutes=minutes)).isoformat()})
    assert words in " ".join(said)
    assert bool(said) is bool(words)
