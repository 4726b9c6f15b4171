"""Laws that no proposal may break, whatever the unit and the people are like; no database, each limit judged anew."""

from collections import Counter
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from programme.booking.numeric.calendar import Dates, Day, SlotRule, Use
from programme.booking.numeric.places import AwayDates, SampleRules, Seeker
from programme.booking.queries.free import Booked, SiteCalendar
from programme.booking.queries.placing import HasPlace, ToPlace
from programme.booking.queries.together import Asked, Problem, posed, solved
from sessions.day.numeric.samples import SampleRule, SamplingHours

ZONE = ZoneInfo("Europe/London")
MONDAY = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 11, 0, tzinfo=ZONE)
LAST = MONDAY + timedelta(9)
RULES = SampleRules(ZONE, SampleRule(72, False, True, ""), SamplingHours(8, 16, 2))
CHAIRS = (1, 2, 3)


def day_of(number: int) -> date:
    return MONDAY + timedelta(number)


@st.composite
def units(draw) -> Problem:
    """Ten days, three chairs with two starts; closed days, staff, other uses, held places; up to six people."""
    shut = draw(st.frozensets(st.integers(0, 9), max_size=4))
    most = draw(st.lists(st.one_of(st.none(), st.integers(0, 3)), min_size=10, max_size=10))
    days = tuple(
        Day(day_of(n), False, "training") if n in shut else Day(day_of(n), True, "", time(8), time(18), most[n])
        for n in range(10)
    )
    always = Dates(date(2024, 1, 1))
    slots = tuple(
        SlotRule(chair, f"Chair {chair}", slot, starts, ends, always, always)
        for chair in CHAIRS
        for slot, starts, ends in ((1, time(9), time(13)), (2, time(13), time(17)))
    )
    used = draw(st.lists(st.tuples(st.sampled_from(CHAIRS), st.integers(0, 9)), max_size=3))
    uses = tuple(Use(chair, Dates(day_of(n), day_of(n)), "infusions") for chair, n in used)
    taken = frozenset(
        (chair, day_of(n), slot)
        for chair, n, slot in draw(
            st.lists(st.tuples(st.sampled_from(CHAIRS), st.integers(0, 9), st.sampled_from([1, 2])), max_size=5)
        )
    )
    bookings = tuple(booked(n, *held) for n, held in enumerate(sorted(taken)))
    chairs = tuple((chair, f"Chair {chair}") for chair in CHAIRS)
    calendar = SiteCalendar(MONDAY, LAST, days, chairs, slots, uses, taken, bookings)
    people = [draw(person(n)) for n in range(draw(st.integers(1, 6)))]
    by_ref = {row.patient_ref: row for row in people}
    usual = {row.pk: 0.1 for row in people}
    return posed(calendar, by_ref, movers=frozenset(), asked=Asked(), accepted=usual, flagged=frozenset(), usual=0.1)


def booked(number: int, chair: int, on: date, slot: int) -> Booked:
    starts, ends = ((time(9), time(13)), (time(13), time(17)))[slot - 1]
    return Booked(number, 1, 900 + number, f"B{number}", "B", chair, on, starts, ends, "booked", 1, None, None, "")


@st.composite
def person(draw, number: int) -> ToPlace:
    earliest, width = draw(st.integers(0, 8)), draw(st.integers(-2, 6))
    away = draw(st.one_of(st.none(), st.integers(0, 9)))
    who = Seeker(
        today=MONDAY,
        now=NOW,
        earliest=day_of(earliest),
        samples_by=RULES,
        best=day_of(earliest),
        latest_safe=day_of(earliest + width),
        chance={day_of(n): min(1.0, 0.03 * n) for n in range(40)},
        not_before=draw(st.sampled_from([None, time(10)])),
        end_by=draw(st.sampled_from([None, time(15)])),
        away=() if away is None else (AwayDates(Dates(day_of(away), day_of(away + 1)), cannot=True),),
    )
    return ToPlace(
        pk=number, patient_ref=f"P{number}", name=f"P{number}", seeker=who, units=4,
        minutes=draw(st.sampled_from([200, 300])), needs=draw(st.sampled_from([1, 2])), known=True, stale=False,
        locked="", missed_lately=0, missed_on=None, booked=tuple[HasPlace, ...](),
    )  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(units())
def test_no_proposal_breaks_a_hard_limit(problem) -> None:
    found = solved(problem)
    calendar = problem.calendar
    assert {row.patient_ref for row in found.placed} | {row.patient_ref for row in found.left} == set(problem.people)
    held, running = set(calendar.taken), Counter(row.on for row in calendar.bookings)
    for row in found.placed:
        place, person = row.place, problem.people[row.patient_ref]
        who, day = person.seeker, calendar.day(row.place.on)
        assert day is not None, "inside the weeks asked for"
        assert day.open, "closed day"
        assert datetime.combine(place.on, place.starts, tzinfo=ZONE) > NOW, "past"
        assert place.on >= who.earliest
        assert not any(use.chair_pk == place.chair_pk and use.dates.hold(place.on) for use in calendar.uses)
        assert not any(one.dates.since <= place.on <= one.dates.until for one in who.away), "away"
        assert who.not_before is None or place.starts >= who.not_before
        assert who.end_by is None or place.ends <= who.end_by
        assert place.ends <= day.closes
        start = datetime.combine(place.on, place.starts, tzinfo=ZONE)
        assert any(sample_could_be_taken(start, hours, calendar.open_dates) for hours in range(2, 73)), "sample"
        slots = [1, 2] if place.starts == time(9) and place.ends > time(13) else [1 if place.starts == time(9) else 2]
        for slot in slots:
            assert (place.chair_pk, place.on, slot) not in held, "chair taken"
            held.add((place.chair_pk, place.on, slot))
        running[place.on] += person.needs
        assert day.most is None or running[place.on] <= day.most, "staff at once"


def sample_could_be_taken(start: datetime, hours_before: int, open_days: frozenset[date]) -> bool:
    """By whole hours, for starts on the hour: open day, 08:00 to 16:00, not in the past."""
    at = start - timedelta(hours=hours_before)
    return at.date() in open_days and time(8) <= at.time() <= time(16) and at >= NOW


@settings(max_examples=20, deadline=None)
@given(units())
def test_the_same_problem_gives_the_same_proposal(problem) -> None:
    assert solved(problem) == solved(problem)
