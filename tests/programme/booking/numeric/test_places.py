"""Ranking of places: the sample rule by published and hand-worked cases, hard limits as a law, order by example."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.booking.numeric.calendar import Dates, Place
from programme.booking.numeric.places import (
    AwayDates,
    SampleRules,
    Seeker,
    points_against,
    ranked,
    refusal,
    sample_day,
    sample_holds,
)
from programme.booking.numeric.reasons import far_late_words
from programme.booking.numeric.workdays import BloodLead, LeadTimes
from sessions.day.numeric.samples import SampleRule, SamplingHours

LONDON = ZoneInfo("Europe/London")
MONDAY = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 7, 0, tzinfo=LONDON)
HOURS = SamplingHours(opens_hour=8, closes_hour=16, crossmatch_hours=2)
CLOCK = SampleRules(LONDON, SampleRule(72, False, True, ""), HOURS)
DAYS = SampleRules(LONDON, SampleRule(72, True, True, ""), HOURS)
OPEN = {MONDAY + timedelta(day) for day in range(60) if (MONDAY + timedelta(day)).weekday() < 5}


def place(day: int, chair: int = 1, starts: int = 10, ends: int = 16) -> Place:
    return Place(chair, f"Chair {chair}", 1, time(starts), time(ends), MONDAY + timedelta(day), (1,))


def seeker(**more: object) -> Seeker:
    climbing = {MONDAY + timedelta(day): min(0.01 * day, 1.0) for day in range(60)}
    values = {
        "today": MONDAY, "now": NOW, "earliest": MONDAY, "samples_by": CLOCK, "best": MONDAY + timedelta(8),
        "latest_safe": MONDAY + timedelta(10), "chance": climbing, **more,
    }  # fmt: skip
    return Seeker(**values)


# The sample rule. Clock mode: Milkins et al., Transfusion Medicine 2013;23:3-35, as quoted by teaching pages: at most
# 3 days before the transfusion when transfused or pregnant in the last 3 months. Day mode: a laboratory's notice
# (Exeter 2015).


def test_a_sample_is_valid_to_exactly_72_hours_at_the_start() -> None:
    taken = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
    assert sample_holds(taken, taken + timedelta(hours=72), CLOCK)
    assert not sample_holds(taken, taken + timedelta(hours=72, minutes=1), CLOCK)
    assert not sample_holds(taken, taken - timedelta(minutes=1), CLOCK)


def test_by_calendar_day_a_sample_of_monday_is_valid_to_the_end_of_wednesday() -> None:
    taken = datetime(2026, 6, 1, 15, 0, tzinfo=LONDON)
    assert sample_holds(taken, datetime(2026, 6, 3, 23, 59, tzinfo=LONDON), DAYS)
    assert not sample_holds(taken, datetime(2026, 6, 4, 8, 0, tzinfo=LONDON), DAYS)


@pytest.mark.parametrize(
    ("start", "shut", "expected"),
    [
        (datetime(2026, 6, 3, 9, 0), (), date(2026, 6, 2)),  # Wednesday 09:00: 07:00 is too early, so Tuesday
        (datetime(2026, 6, 3, 10, 0), (), date(2026, 6, 3)),  # at 08:00 on the day, two hours before
        (datetime(2026, 6, 8, 9, 0), (), date(2026, 6, 5)),  # Monday: Friday from 09:00, within 72 h
        (datetime(2026, 6, 8, 17, 0), (date(2026, 6, 8),), None),  # 72 h back is Friday 17:00, after the cut-off
        (datetime(2026, 6, 9, 9, 0), (date(2026, 6, 8),), None),  # Tuesday after a closed Monday: 72 h back is Saturday
        (datetime(2026, 6, 9, 10, 0), (date(2026, 6, 8),), date(2026, 6, 9)),
        (datetime(2026, 6, 1, 9, 0), (), None),  # today at 09:00: it is 07:00, sampling opens at 08:00
    ],
)
def test_the_last_day_for_a_sample_worked_by_hand(start, shut, expected) -> None:
    assert sample_day(start.replace(tzinfo=LONDON), CLOCK, OPEN - set(shut), NOW) == expected


def test_hours_count_by_the_clock_of_the_world_over_a_change_of_summer_time() -> None:
    """Clocks went forward on 29 March 2026: from Friday 27th 09:30 to Monday 30th 09:30 are 71 hours."""
    start = datetime(2026, 3, 30, 9, 30, tzinfo=LONDON)
    taken = datetime(2026, 3, 27, 9, 0, tzinfo=LONDON)
    assert sample_holds(taken, start, CLOCK)  # 71.5 h, although the clock face says 72.5
    autumn = datetime(2026, 10, 26, 9, 30, tzinfo=LONDON)
    assert not sample_holds(datetime(2026, 10, 23, 10, 0, tzinfo=LONDON), autumn, CLOCK)  # 72.5 h, the face says 71.5


def test_a_sample_already_taken_opens_a_day_that_has_no_sampling_hour() -> None:
    shut = OPEN - {MONDAY}
    today = place(0, starts=9)
    assert "No crossmatch sample" in refusal(seeker(), today, shut)
    taken = datetime(2026, 5, 31, 12, 0, tzinfo=LONDON)
    assert refusal(seeker(samples=(taken,)), today, shut) == ""


# The reason for a late place


@pytest.mark.parametrize(
    ("late", "safe_then", "chance_then", "holds"),
    [
        (1, 10, 0.11, True),  # nothing has changed
        (8, 17, 0.11, True),  # the last safe day came forward by 7 days, from day 17 to day 10
        (8, 18, 0.11, False),  # by 8 days
        (14, 10, 0.24, True),
        (15, 11, 0.24, False),  # 15 days after the last safe one is far too late, and was not
        (15, 10, 0.25, True),  # it was far too late then, and the consultant knew
        (40, 10, 0.4, True),
    ],
)
def test_a_reason_holds_for_the_day_that_it_was_given_for(late, safe_then, chance_then, holds) -> None:
    """Hand-worked: the last safe day is day 10 by now; a week and fourteen days are the limits, chosen here."""
    on, then = MONDAY + timedelta(10 + late), MONDAY + timedelta(safe_then)
    assert seeker(chance={}).reason_holds(on, then, chance_then) is holds


def test_a_reason_does_not_hold_where_being_over_became_more_likely_than_not() -> None:
    on, then = MONDAY + timedelta(12), MONDAY + timedelta(10)
    assert seeker(chance={on: 0.49}).reason_holds(on, then, 0.12)
    assert not seeker(chance={on: 0.5}).reason_holds(on, then, 0.12)
    assert seeker(chance={on: 0.6}).reason_holds(on, then, 0.5)


# What is refused says what is allowed


@pytest.mark.parametrize(
    ("more", "of", "words"),
    [
        ({"now": NOW + timedelta(days=3)}, place(1), "in the past; allowed is any start from now on"),
        ({"earliest": MONDAY + timedelta(4)}, place(2), "allowed is from Fri 5 Jun 2026 on"),
        ({"booked": frozenset({MONDAY + timedelta(2)})}, place(2), "booked on Wed 3 Jun 2026 already"),
        (
            {"furthest": MONDAY + timedelta(28)},
            place(29),
            "Tue 30 Jun 2026 is too far ahead; allowed is until Mon 29 Jun 2026, 28 days from today.",
        ),
        ({"not_before": time(11)}, place(2), "cannot start before 11:00"),
        ({"end_by": time(15)}, place(2), "must be done by 15:00"),
        (
            {"away": (AwayDates(Dates(MONDAY, MONDAY + timedelta(3)), True, "school exams"),)},
            place(2),
            "cannot come on Wed 3 Jun 2026 (school exams). They are back on Fri 5 Jun 2026",
        ),
    ],
)
def test_a_refused_place_says_what_is_allowed(more, of, words) -> None:
    assert words in refusal(seeker(**more), of, OPEN)


# The order


def test_near_the_best_day_and_safe_goes_first() -> None:
    found = ranked(seeker(), [place(day) for day in (2, 7, 8, 10, 11)], OPEN)
    assert [(row.place.on - MONDAY).days for row in found] == [8, 7, 2, 10, 11]  # 8+0, 7+1.5, 2+9, 10+3; late
    assert [row.rank for row in found] == [1, 2, 3, 4, 5]
    assert [row.late for row in found] == [False] * 4 + [True]
    assert found[0].reason == "The best day; the last free place that day."
    assert found[3].reason == "2 days after the best day, the last safe one; the last free place that day."


def test_late_places_go_by_chance_and_never_before_a_safe_one() -> None:
    late = seeker(best=MONDAY, latest_safe=MONDAY - timedelta(2), weekdays=frozenset({3}))
    found = ranked(late, [place(3), place(1), place(2)], OPEN)
    assert [(row.place.on - MONDAY).days for row in found] == [1, 2, 3]  # also where a Thursday is wished
    assert found[0].reason.startswith("The first that can be had, 3 days after the last safe day")


def test_far_too_late_begins_after_a_fortnight_or_at_fifty_in_a_hundred() -> None:
    who = seeker(chance={MONDAY + timedelta(day): 0.49 if day < 8 else 0.5 for day in range(9)})
    assert who.latest_safe == MONDAY + timedelta(10)
    far = [day for day in range(60) if who.is_far_late(MONDAY + timedelta(day))]
    assert far == [8, *range(25, 60)]  # the chance of the 8th; 15 days after the 10th
    assert far_late_words(who, MONDAY + timedelta(24)) == ""
    assert far_late_words(who, MONDAY + timedelta(25)).startswith(
        "Fri 26 Jun 2026 is far too late: 15 days after the last safe day. Allowed is an earlier place, or this one"
    )
    assert "is far too late: 50 in 100 to be over the ceiling." in far_late_words(who, MONDAY + timedelta(8))
    assert [row.far_late for row in ranked(who, [place(9), place(25)], OPEN)] == [False, True]


def test_wishes_move_a_day_up_and_are_named() -> None:
    wished = ranked(seeker(weekdays=frozenset({2})), [place(8), place(9)], OPEN)  # Tuesday 9th, Wednesday 10th
    assert wished[0].place.on.weekday() == 2
    assert "a Wednesday as wished" in wished[0].reason
    assert "not the weekday wished (Wednesday)" in wished[1].reason
    exams = (AwayDates(Dates(MONDAY + timedelta(8), MONDAY + timedelta(8)), False, "examinations"),)
    rather = ranked(seeker(away=exams), [place(8), place(9)], OPEN)
    assert [(row.place.on - MONDAY).days for row in rather] == [9, 8]
    assert "they would rather not (examinations)" in rather[1].reason


def test_somebody_who_often_misses_is_offered_room_for_another_try() -> None:
    often = seeker(often_misses=True)
    assert often.aim == MONDAY + timedelta(3)  # a week before the last safe day
    found = ranked(often, [place(3), place(8)], OPEN)
    assert (found[0].place.on - MONDAY).days == 3
    assert "leaves room for another try" in found[0].reason


def test_a_day_offers_its_first_start_that_can_be_had() -> None:
    found = ranked(seeker(not_before=time(10, 30)), [place(8, 1, 9), place(8, 2, 11), place(8, 3, 12)], OPEN)
    assert [(row.place.chair_pk, row.rank) for row in found] == [(2, 1)]


# Blood. By hand, with ten working days for an antibody and two more where a bank holiday lies between, the spring bank
# holiday of England on Monday 25 May 2026 (GOV.UK, bank holidays). For Wednesday 3 June: 2, 1 June, 29, 28, 27, 26, 22,
# 21, 20, 19 May are ten; the holiday lies between, so 18 and 15 May too. For Friday 5 June likewise to 19 May. For
# Tuesday 9 June: 8, 5, 4, 3, 2, 1 June, 29, 28, 27, 26 May; the holiday lies before that.

JUNE_3, JUNE_5, JUNE_9 = place(2), place(4), place(8)
ANTIBODY = BloodLead(LeadTimes(4, 10, 10, 2), True, False, frozenset({date(2026, 5, 25)}))


def on_18_may(**more: object) -> Seeker:
    now = datetime(2026, 5, 18, 9, 0, tzinfo=LONDON)
    values = {"today": now.date(), "now": now, "best": JUNE_3.on, "latest_safe": JUNE_9.on, "blood": ANTIBODY, **more}
    return seeker(**values)


def test_places_with_time_to_order_blood_go_before_the_best_day_without() -> None:
    found = ranked(on_18_may(), [JUNE_3, JUNE_5, JUNE_9], OPEN)
    assert [row.place for row in found] == [JUNE_5, JUNE_9, JUNE_3]
    assert [row.blood_by for row in found] == [None, None, date(2026, 5, 15)]
    assert found[0].blood_words == ""
    assert found[2].blood_words == (
        "Blood for it had to be ordered by Fri 15 May 2026; telephone the laboratory first."
    )
    without = ranked(on_18_may(blood=replace(ANTIBODY, has_antibody=False)), [JUNE_3, JUNE_5, JUNE_9], OPEN)
    assert [row.place for row in without] == [JUNE_3, JUNE_5, JUNE_9]
    assert not any(row.blood_by for row in without)


def test_somebody_who_is_late_is_not_made_to_wait_for_blood_by_the_order_of_the_list() -> None:
    found = ranked(on_18_may(latest_safe=date(2026, 5, 20)), [JUNE_3, JUNE_5], OPEN)
    assert [(row.place, row.late, row.blood_by is None) for row in found] == [
        (JUNE_3, True, False),
        (JUNE_5, True, True),
    ]


def test_a_moved_order_is_in_time_from_the_day_it_was_made_for_on() -> None:
    assert on_18_may(gives_up=date(2026, 6, 2)).blood_passed(JUNE_3.on) is None
    assert on_18_may(gives_up=JUNE_5.on).blood_passed(JUNE_3.on) == date(2026, 5, 15)  # to be had sooner: ask
    assert on_18_may(gives_up=date(2026, 7, 1)).blood_passed(JUNE_3.on) == date(2026, 5, 15)


def test_time_to_order_weighs_where_everybody_is_placed_at_once() -> None:
    who = on_18_may()
    assert points_against(who, JUNE_3.on) == 25.0
    assert points_against(who, JUNE_5.on) == 2 * 1.5


@given(
    days=st.sets(st.integers(0, 40), min_size=2, max_size=12),
    latest=st.one_of(st.none(), st.integers(-5, 40)),
    chance=st.floats(0, 1),
    lead=st.builds(LeadTimes, st.integers(0, 10), st.integers(0, 15), st.integers(0, 15), st.integers(0, 3)),
    off=st.frozensets(st.integers(-20, 40), max_size=4),
    has_antibody=st.booleans(),
    gives_up=st.one_of(st.none(), st.integers(0, 40)),
)
def test_a_place_in_time_is_never_behind_an_equal_one_that_is_too_late(
    days, latest, chance, lead, off, has_antibody, gives_up
) -> None:
    blood = BloodLead(lead, has_antibody, False, frozenset(MONDAY + timedelta(day) for day in off))
    who = seeker(
        best=None, latest_safe=None if latest is None else MONDAY + timedelta(latest), blood=blood,
        chance=dict.fromkeys((MONDAY + timedelta(day) for day in range(41)), chance),
        gives_up=None if gives_up is None else MONDAY + timedelta(gives_up),
    )  # fmt: skip
    places = [place(day) for day in days]
    found = ranked(who, places, OPEN)
    for late in (False, True):
        too_late = [row.blood_by is not None for row in found if row.late is late]
        assert too_late == sorted(too_late)
    same = ranked(replace(who, blood=None), places, OPEN)
    assert {row.place for row in found} == {row.place for row in same}, "none is hidden"
    assert all(row.blood_by is None or row.blood_by < MONDAY for row in found)


# The law: no ranked place breaks a hard limit


@given(
    places=st.lists(
        st.tuples(st.integers(0, 40), st.integers(1, 4), st.integers(8, 14), st.integers(1, 6)), max_size=25
    ),
    earliest=st.integers(0, 20),
    best=st.one_of(st.none(), st.integers(0, 40)),
    latest=st.one_of(st.none(), st.integers(-5, 40)),
    away=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 9), st.booleans()), max_size=3),
    booked=st.sets(st.integers(0, 40)),
    not_before=st.one_of(st.none(), st.integers(8, 12)),
    end_by=st.one_of(st.none(), st.integers(12, 18)),
    shut=st.sets(st.integers(0, 40)),
    hours_gone=st.integers(0, 24 * 20),
    by_day=st.booleans(),
    often=st.booleans(),
)
def test_no_ranked_place_breaks_a_hard_limit(
    places, earliest, best, latest, away, booked, not_before, end_by, shut, hours_gone, by_day, often
) -> None:
    rules = DAYS if by_day else CLOCK
    now = NOW + timedelta(hours=hours_gone)
    open_days = OPEN - {MONDAY + timedelta(day) for day in shut}
    who = seeker(
        now=now, today=now.date(), samples_by=rules, earliest=MONDAY + timedelta(earliest), often_misses=often,
        best=None if best is None else MONDAY + timedelta(best),
        latest_safe=None if latest is None else MONDAY + timedelta(latest),
        away=tuple(AwayDates(Dates(MONDAY + timedelta(a), MONDAY + timedelta(a + n)), c) for a, n, c in away),
        booked=frozenset(MONDAY + timedelta(day) for day in booked),
        not_before=None if not_before is None else time(not_before), end_by=None if end_by is None else time(end_by),
    )  # fmt: skip
    given_places = [place(day, chair, start, min(start + length, 23)) for day, chair, start, length in places]
    found = ranked(who, given_places, open_days)
    assert [row.rank for row in found] == list(range(1, len(found) + 1))
    assert [row.late for row in found] == sorted(row.late for row in found)
    for row in found:
        on, day = row.place.on, (row.place.on - MONDAY).days
        start = datetime.combine(on, row.place.starts, tzinfo=LONDON)
        assert row.place in given_places and start > now and day >= earliest and day not in booked
        assert not any(a <= day <= a + n for a, n, cannot in away if cannot)
        assert not_before is None or row.place.starts >= time(not_before)
        assert end_by is None or row.place.ends <= time(end_by)
        assert row.late == (latest is not None and day > latest)
        # Independently, hour by hour: some open sampling hour is in time for the laboratory and not too old.
        hours = [start - timedelta(minutes=30 * back) for back in range(2 * 24 * 4)]
        assert any(
            at.date() in open_days and 8 <= at.hour < 16 and at >= now
            and at <= start - timedelta(hours=2) and sample_holds(at, start, rules)
            for at in hours
        )  # fmt: skip
