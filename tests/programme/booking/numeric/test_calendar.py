"""Open days and free places: hand-worked days, and laws on drawn ones."""

from datetime import date, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.booking.numeric.calendar import (
    Closed,
    Dates,
    Day,
    Opening,
    SlotRule,
    Staff,
    Use,
    days,
    ends_at,
    free_places,
    minutes_needed,
    staff_of,
)
from programme.booking.numeric.staff import Run

MONDAY = date(2026, 12, 21)
ALWAYS = Dates(date(2020, 1, 1))
WEEK = [Opening(Dates(date(2020, 1, 1), weekday=day), time(8, 30), time(17, 30)) for day in range(5)]


def slot(chair: int, number: int = 1, starts: int = 9, ends: int = 16, **dates: Dates) -> SlotRule:
    return SlotRule(
        chair,
        f"Chair {chair}",
        number,
        time(starts),
        time(ends),
        dates.get("dates", ALWAYS),
        dates.get("there", ALWAYS),
    )


def week(**more: object) -> tuple[Day, ...]:
    return days(MONDAY, MONDAY + timedelta(6), opening=WEEK, **more)


def test_days_are_open_by_weekday_and_say_why_they_are_not() -> None:
    found = week()
    assert [day.open for day in found] == [True] * 5 + [False] * 2
    assert found[5].why == "not open on Saturdays"
    assert (found[0].opens, found[0].closes, found[0].most) == (time(8, 30), time(17, 30), None)


def test_a_bank_holiday_is_closed_unless_the_unit_works_it() -> None:
    christmas = {date(2026, 12, 25): "Christmas Day"}
    assert not week(holidays=christmas)[4].open
    assert week(holidays=christmas)[4].why == "bank holiday: Christmas Day"
    boxing_day = week(holidays=christmas | {date(2026, 12, 26): "Boxing Day"})[5]  # a Saturday, closed anyway
    assert boxing_day.why == "not open on Saturdays"
    worked = week(holidays=christmas, closed=[Closed(date(2026, 12, 25), "worked this year", works=True)])
    assert worked[4].open and worked[4].why == "worked this year"


def test_a_closed_day_and_one_that_closes_early() -> None:
    found = week(
        closed=[Closed(MONDAY, "training"), Closed(MONDAY + timedelta(3), "Christmas Eve", closes=time(13, 0))]
    )
    assert (found[0].open, found[0].why) == (False, "training")
    assert (found[3].open, found[3].closes, found[3].why) == (True, time(13, 0), "closes 13:00, Christmas Eve")
    assert free_places([found[3]], slots=[slot(1)]) == ()
    assert len(free_places([found[2]], slots=[slot(1)])) == 1


def test_the_smallest_staff_limit_counts() -> None:
    limits = [Staff(ALWAYS, 4), Staff(Dates(MONDAY, MONDAY + timedelta(1)), 2, "two nurses away")]
    found = week(staff=limits)
    assert [day.most for day in found[:3]] == [2, 2, 4]
    assert found[0].staff_words == "two nurses away"
    chairs = [slot(1), slot(2), slot(3)]
    one, two = (staff_of(found, {MONDAY: [Run(time(9), time(16))] * count}) for count in (1, 2))
    assert free_places(found[:1], slots=chairs, room=two) == ()
    assert len(free_places(found[:1], slots=chairs, room=one)) == 3
    assert free_places(found[:1], slots=chairs, room=one, needs=2) == ()


def test_staff_who_are_taken_in_the_morning_are_free_in_the_afternoon() -> None:
    found = week(staff=[Staff(ALWAYS, 1)])[:1]
    chairs = [slot(1, 1, 9, 13), slot(1, 2, 13, 17), slot(2, 1, 9, 16)]
    room = staff_of(found, {MONDAY: [Run(time(9), time(13))]})
    assert [(place.chair_pk, place.starts) for place in free_places(found, slots=chairs, room=room)] == [(1, time(13))]


def test_a_chair_and_a_slot_are_there_on_their_dates_only() -> None:
    gone = slot(1, there=Dates(date(2020, 1, 1), MONDAY))
    new = slot(2, dates=Dates(MONDAY + timedelta(1)))
    found = free_places(week()[:2], slots=[gone, new])
    assert [(place.on, place.chair_pk) for place in found] == [(MONDAY, 1), (MONDAY + timedelta(1), 2)]


def test_another_use_takes_the_chair_for_that_weekday() -> None:
    found = free_places(week()[:5], slots=[slot(3)], uses=[Use(3, Dates(date(2020, 1, 1), weekday=2), "top-ups")])
    assert [place.on.weekday() for place in found] == [0, 1, 3, 4]


def test_a_use_of_some_hours_leaves_the_rest_of_the_day() -> None:
    """Hand-worked, to the minute: top-ups until 13:00 leave a start at 13:00, and later ones one that ends then."""
    starts = [slot(3, 1, 9, 13), slot(3, 2, 13, 17), slot(4, 1, 9, 13)]
    morning = Use(3, ALWAYS, "top-ups", time(8), time(13))
    assert morning.said == "08:00 to 13:00, top-ups"
    found = free_places(week()[:1], slots=starts, uses=[morning])
    assert [(place.chair_pk, place.starts) for place in found] == [(3, time(13)), (4, time(9))]
    afternoon = Use(3, ALWAYS, "top-ups", time(13), time(17))
    found = free_places(week()[:1], slots=starts, uses=[afternoon])
    assert [(place.chair_pk, place.starts) for place in found] == [(3, time(9)), (4, time(9))]
    longer = free_places(week()[:1], slots=starts, uses=[afternoon], minutes=241)
    assert [(place.chair_pk, place.ends) for place in longer] == [(4, time(13, 1))]


def test_a_long_session_holds_the_next_slot_too_and_needs_it_free() -> None:
    two = [slot(1, 1, 9, 12), slot(1, 2, 13, 16)]
    short = free_places(week()[:1], slots=two, minutes=150)
    assert [place.holds for place in short] == [(1,), (2,)]
    long = free_places(
        week()[:1], slots=two, minutes=300
    )  # 09:00 to 14:00 runs into the second; 13:00 to 18:00 is late
    assert [(place.starts, place.ends, place.holds) for place in long] == [(time(9), time(14), (1, 2))]
    assert free_places(week()[:1], slots=two, minutes=300, taken={(1, MONDAY, 2)}) == ()


def test_minutes_are_units_and_the_rest() -> None:
    assert minutes_needed(6, minutes_a_unit=45, hours_rest=1) == 330  # by hand: 270 + 60
    with pytest.raises(ValueError, match="allowed are whole numbers from 0"):
        minutes_needed(-1, minutes_a_unit=45, hours_rest=1)


def test_a_session_does_not_run_past_midnight() -> None:
    assert ends_at(time(20), time(22), 300) is None
    assert ends_at(time(9), time(16), 300) == time(16)


def test_the_last_day_is_not_before_the_first() -> None:
    with pytest.raises(ValueError, match="before the first"):
        days(MONDAY, MONDAY - timedelta(1), opening=WEEK)


spans = st.tuples(st.integers(0, 40), st.integers(0, 20), st.one_of(st.none(), st.integers(0, 6)))
hours = st.integers(8, 15).flatmap(lambda start: st.tuples(st.just(start), st.integers(start + 1, 17)))


def dates_of(span: tuple[int, int, int | None]) -> Dates:
    begin, length, weekday = span
    return Dates(MONDAY + timedelta(begin), MONDAY + timedelta(begin + length), weekday)


@given(
    shut=st.sets(st.integers(0, 40)),
    early=st.dictionaries(st.integers(0, 40), st.integers(9, 17)),
    limits=st.lists(st.tuples(spans, st.integers(0, 3)), max_size=4),
    uses=st.lists(st.tuples(st.integers(1, 3), spans, st.none() | hours), max_size=4),
    slots=st.lists(st.tuples(st.integers(1, 3), hours), max_size=6),
    taken=st.sets(st.tuples(st.integers(1, 3), st.integers(0, 40), st.integers(0, 5))),
    booked=st.lists(st.tuples(st.integers(0, 40), hours, st.integers(1, 2)), max_size=8),
    minutes=st.integers(0, 600),
    needs=st.integers(1, 2),
)
def test_no_free_place_breaks_a_hard_limit(shut, early, limits, uses, slots, taken, booked, minutes, needs) -> None:
    rules = sorted(
        (slot(chair, number, *when) for number, (chair, when) in enumerate(slots)),
        key=lambda row: (row.chair_pk, row.starts),
    )
    held = {(chair, MONDAY + timedelta(day), number) for chair, day, number in taken}
    runs = {
        MONDAY + timedelta(day): [Run(time(s), time(e), n) for d, (s, e), n in booked if d == day] for day, *_ in booked
    }
    closed = [Closed(MONDAY + timedelta(day), "shut") for day in sorted(shut)]
    closed += [Closed(MONDAY + timedelta(day), "early", time(hour)) for day, hour in early.items() if day not in shut]
    others = [
        Use(chair, dates_of(span), "other", *(() if of is None else (time(of[0]), time(of[1]))))
        for chair, span, of in uses
    ]
    staff = [Staff(dates_of(span), most) for span, most in limits]
    calendar = days(MONDAY, MONDAY + timedelta(40), opening=WEEK, closed=closed, staff=staff)
    found = free_places(
        calendar, slots=rules, uses=others, taken=held, room=staff_of(calendar, runs), minutes=minutes, needs=needs
    )
    for place in found:
        day = (place.on - MONDAY).days
        assert place.on.weekday() < 5 and day not in shut
        assert time(8, 30) <= place.starts and place.ends <= time(17, 30)
        assert day not in early or place.ends <= time(early[day])
        for hour in range(place.starts.hour, place.ends.hour + (place.ends.minute > 0)):  # all begin on the hour
            at_once = sum(n for d, (s, e), n in booked if d == day and s <= hour < e)
            assert all(at_once + needs <= row.most for row in staff if row.dates.hold(place.on))
        for row in others:
            apart = row.ends <= place.starts or place.ends <= row.starts
            assert row.chair_pk != place.chair_pk or not row.dates.hold(place.on) or apart
        length = (place.ends.hour - place.starts.hour) * 60 + place.ends.minute - place.starts.minute
        assert length >= minutes
        for row in rules:
            overlaps = row.chair_pk == place.chair_pk and row.starts < place.ends and place.starts < row.ends
            assert overlaps == (row.chair_pk == place.chair_pk and row.slot in place.holds)
            assert not overlaps or (row.chair_pk, place.on, row.slot) not in held
    every = {(day.on, row.chair_pk, row.slot) for day in calendar if day.open for row in rules}
    assert {place.key for place in found} <= every
