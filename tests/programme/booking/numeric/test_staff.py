"""Exchanges at once: counted minute by minute, and by trying every choice of places."""

from datetime import date, time
from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from programme.booking.numeric.calendar import Place, fit_together
from programme.booking.numeric.staff import Run, Staffed, most_at_once

MONDAY = date(2026, 6, 8)
MORNING, AFTERNOON, ALL_DAY = Run(time(9), time(13)), Run(time(13), time(17)), Run(time(9), time(16))


def test_one_that_begins_as_another_ends_does_not_meet_it() -> None:
    assert most_at_once([MORNING, AFTERNOON], time(8), time(18)) == 1
    assert most_at_once([MORNING, AFTERNOON, ALL_DAY], time(8), time(18)) == 2
    assert Staffed(1, (MORNING,)).has_room(AFTERNOON)
    assert not Staffed(1, (MORNING,)).has_room(ALL_DAY)


def test_somebody_who_needs_two_nurses_counts_for_two() -> None:
    two = Run(time(9), time(12), 2)
    assert most_at_once([two], time(8), time(18)) == 2
    assert not Staffed(2, (MORNING,)).has_room(two)
    assert Staffed(3, (MORNING,)).has_room(two)


def test_only_a_time_for_which_too_many_are_booked_is_over() -> None:
    staffed = Staffed(1, (MORNING, ALL_DAY))
    assert staffed.is_over(time(9), time(10))
    assert not staffed.is_over(time(13), time(16))
    assert (staffed.left(time(9), time(18)), staffed.left(time(13), time(16)), staffed.left(time(16), time(18))) == (
        -1, 0, 1,
    )  # fmt: skip


minutes = st.integers(0, 120).map(lambda five: time(8 + five // 12, 5 * (five % 12)))
spans = st.tuples(minutes, minutes).filter(lambda span: span[0] < span[1])
runs = st.lists(st.builds(lambda span, needs: Run(*span, needs), spans, st.integers(1, 2)), max_size=8)


def by_the_minute(some: list[Run], first: time, last: time) -> list[int]:
    """What runs in every minute from first to before last: a plain second count."""
    every = [time(h, m) for h in range(24) for m in range(60) if first <= time(h, m) < last]
    return [sum(run.needs for run in some if run.starts <= minute < run.ends) for minute in every]


@given(runs, spans)
def test_the_most_at_once_is_what_the_minutes_say(some, span) -> None:
    assert most_at_once(some, *span) == max(by_the_minute(some, *span))


@given(runs, spans, st.integers(1, 2), st.integers(0, 4))
def test_there_is_room_just_where_no_minute_would_have_too_many(some, span, needs, most) -> None:
    new = Run(*span, needs)
    assert Staffed(most, tuple(some)).has_room(new) == (max(by_the_minute([*some, new], *span)) <= most)


@given(st.lists(spans, max_size=6), runs, st.integers(0, 3))
def test_as_many_places_fit_together_as_trying_every_choice_finds(free, booked, most) -> None:
    places = [Place(n, f"Chair {n}", 1, *span, MONDAY) for n, span in enumerate(free)]

    def fits(some: tuple[Place, ...]) -> bool:
        runs = [*booked, *(Run(one.starts, one.ends) for one in some)]
        return all(max(by_the_minute(runs, one.starts, one.ends)) <= most for one in some)

    best = max(size for size in range(len(places) + 1) if any(fits(some) for some in combinations(places, size)))
    assert fit_together(places, Staffed(most, tuple(booked))) == best


def test_a_long_session_that_takes_both_starts_of_a_chair_is_one_place() -> None:
    morning = Place(1, "Chair 1", 1, time(9), time(14), MONDAY, (1, 2))
    afternoon = Place(1, "Chair 1", 2, time(13), time(17), MONDAY, (2,))
    assert fit_together([morning, afternoon], None) == 1
    assert fit_together([morning, Place(2, "Chair 2", 1, time(9), time(14), MONDAY)], None) == 2
