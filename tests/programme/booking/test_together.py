"""Laws that no proposal may break, whatever the unit and the people are like; no database, each limit judged anew."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from programme.booking.numeric.calendar import Dates, Day, SlotRule, Use
from programme.booking.numeric.places import AwayDates, SampleRules, Seeker
from programme.booking.queries.chairs import Displaced
from programme.booking.queries.free import Booked, SiteCalendar
from programme.booking.queries.placing import HasPlace, ToPlace
from programme.booking.queries.problem import Asked, Problem, movers_of, posed
from programme.booking.queries.together import Proposed, solved
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
def units(draw) -> tuple[Problem, SiteCalendar]:
    """Ten days, three chairs with two starts; closed days, staff, other uses, held places; up to six people.

    Some of them have a place already. Returns the problem and the calendar as it is."""
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
    parts = st.sampled_from([(), (time(8), time(13)), (time(13), time(16))])
    used = draw(st.lists(st.tuples(st.sampled_from(CHAIRS), st.integers(0, 9), parts), max_size=3))
    uses = tuple(Use(chair, Dates(day_of(n), day_of(n)), "infusions", *part) for chair, n, part in used)
    starts = st.tuples(st.sampled_from(CHAIRS), st.integers(0, 9), st.sampled_from([1, 2]))
    held = draw(st.lists(starts, min_size=2, max_size=6))
    taken = frozenset((chair, day_of(n), slot) for chair, n, slot in held)
    people = [draw(person(n)) for n in range(draw(st.integers(1, 6)))]
    theirs = len(people) - draw(st.integers(0, len(people)))  # so many of the people have a place already
    bookings = tuple(
        booked(n, *one, ref=f"P{n}" if n < theirs else f"B{n}", state=draw(st.sampled_from(["confirmed", "booked"])))
        for n, one in enumerate(draw(st.permutations(sorted(taken))))
    )
    people = [
        holding(row, next((one for one in bookings if one.patient_ref == row.patient_ref), None)) for row in people
    ]
    chairs = tuple((chair, f"Chair {chair}") for chair in CHAIRS)
    calendar = SiteCalendar(MONDAY, LAST, days, chairs, slots, uses, taken, bookings)
    asked = Asked(draw(st.sampled_from(["anybody", "unconfirmed", "nobody"])))
    movers = movers_of(tuple(people), {row.pk: row for row in bookings}, asked.moves)
    troubles = troubled(calendar, {row.patient_ref for row in people}) if draw(st.booleans()) else {}
    movers -= set(troubles)
    placing = movers | set(troubles)
    by_ref = {row.patient_ref: row for row in people if row.patient_ref in placing or not row.booked}
    usual = {row.pk: 0.1 for row in people}
    problem = posed(
        calendar,
        by_ref,
        movers=frozenset(movers),
        asked=asked,
        accepted=usual,
        flagged=frozenset(),
        usual=0.1,
        troubles=troubles,
    )
    return problem, calendar


def in_other_use(calendar: SiteCalendar, chair: int, on: date, starts: time, ends: time) -> bool:
    """Whether a chair is used for something else in some hour; all begin and end on the hour."""
    return any(
        use.chair_pk == chair and use.dates.hold(on) and any(use.starts <= time(hour) < use.ends for hour in hours)
        for use in calendar.uses
        for hours in [range(starts.hour, ends.hour + (ends.minute > 0))]
    )


def troubled(calendar: SiteCalendar, refs: set[str]) -> dict[str, Displaced]:
    """Whose booking lies on a closed day, in a chair used otherwise, or among more than staff can run at once."""
    found = dict[str, Displaced]()
    for row in calendar.bookings:
        day = calendar.day(row.on)
        used = in_other_use(calendar, row.chair_pk, row.on, row.starts, row.ends)
        if row.patient_ref in refs and (not day.open or used):
            found[row.patient_ref] = Displaced(row, "closed or used otherwise")
        elif row.patient_ref in refs and day.most is not None and at_most(calendar.bookings, row) > day.most:
            found[row.patient_ref] = Displaced(row, "too many", only_staff=True)
    return found


def at_most(bookings: Iterable[Booked], row: Booked) -> int:
    """How many run with a booking in its busiest hour; all begin and end on the hour."""
    hours = [time(hour) for hour in range(row.starts.hour, row.ends.hour)]
    return max(sum(one.on == row.on and one.starts <= hour < one.ends for one in bookings) for hour in hours)


def booked(number: int, chair: int, on: date, slot: int, *, ref: str, state: str) -> Booked:
    starts, ends = ((time(9), time(13)), (time(13), time(17)))[slot - 1]
    return Booked(
        number, 1, 900 + number, ref, "B", chair, on, starts, ends, state, 1, None, None, "", f"Chair {chair}"
    )


def holding(row: ToPlace, one: Booked | None) -> ToPlace:
    """The same person with a place."""
    if one is None:
        return row
    return replace(row, needs=1, booked=(HasPlace(one.on, one.pk, True),), seeker=replace(row.seeker, booked={one.on}))


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


def test_no_proposal_breaks_a_hard_limit() -> None:
    """Also where people who are booked may be moved: nobody else's place is touched, and nobody loses theirs."""
    moved, mended = Counter[str](), Counter[str]()

    @settings(max_examples=120, deadline=None)
    @given(units())
    def hold(drawn) -> None:
        problem, whole = drawn
        placed = judge(problem, whole)
        moved.update(row.old.state for row in placed.values() if row.old is not None and not row.trouble)
        mended.update(row.trouble for row in placed.values() if row.trouble)

    hold()
    assert min(moved["booked"], moved["confirmed"]) > 0, "the cases move some of both"
    assert len(mended) == 2, "and give some a place whose own cannot be kept, for either cause"


def judge(problem: Problem, whole: SiteCalendar) -> dict[str, Proposed]:
    """Solve it, and hold every limit against what was found; return who is placed."""
    found = solved(problem)
    placed = {row.patient_ref: row for row in found.placed}
    homeless = set(problem.people) - set(problem.old)
    assert set(placed) | {row.patient_ref for row in found.left} >= homeless
    assert set(placed) <= set(problem.people), "only those who are due or may be moved"
    for row in placed.values():
        judge_place(problem, whole, row)
    judge_days(problem, whole, placed)
    told = {row.patient_ref for row in found.left}
    for ref, one in problem.troubles.items():
        assert ref in placed or ref in told or one.only_staff, "a place that cannot be kept is never passed over"
        assert ref not in placed or placed[ref].trouble == one.why
    for row in whole.bookings:
        if row.patient_ref in placed and row.patient_ref not in problem.troubles:
            assert problem.asked.moves != "nobody", "a booking moves only when asked"
            assert row.state == "booked" or problem.asked.moves == "anybody", "a confirmed one only with 'anybody'"
            assert placed[row.patient_ref].old == row
            assert (row.chair_pk, row.on, row.starts) != places_of(placed[row.patient_ref])[0], "that is no move"
    return placed


def hours_of(on: date, starts: time, ends: time) -> list[tuple[date, time]]:
    """The hours of a day of which an exchange has a part."""
    return [(on, time(hour)) for hour in range(starts.hour, ends.hour + (ends > time(ends.hour)))]


def places_of(row: Proposed) -> list[tuple[int, date, time]]:
    """The starts that a place holds."""
    place = row.place
    starts = [time(9), time(13)] if place.starts == time(9) and place.ends > time(13) else [place.starts]
    return [(place.chair_pk, place.on, one) for one in starts]


def judge_place(problem: Problem, whole: SiteCalendar, row: Proposed) -> None:
    """What a place must be for one person, whoever else is placed."""
    place, who, day = row.place, problem.people[row.patient_ref].seeker, whole.day(row.place.on)
    assert day is not None, "inside the weeks asked for"
    assert day.open, "closed day"
    assert datetime.combine(place.on, place.starts, tzinfo=ZONE) > NOW, "past"
    assert place.on >= who.earliest
    assert not in_other_use(whole, place.chair_pk, place.on, place.starts, place.ends), "used otherwise"
    assert not any(one.dates.since <= place.on <= one.dates.until for one in who.away), "away"
    assert who.not_before is None or place.starts >= who.not_before
    assert who.end_by is None or place.ends <= who.end_by
    assert place.ends <= day.closes
    start = datetime.combine(place.on, place.starts, tzinfo=ZONE)
    assert any(sample_could_be_taken(start, hours, whole.open_dates) for hours in range(2, 73)), "sample"
    if row.old is not None and not row.trouble:
        assert not who.is_late(place.on) or place.on < row.old.on, "nobody is moved to later after their last safe day"


def judge_days(problem: Problem, whole: SiteCalendar, placed: dict[str, Proposed]) -> None:
    """Chairs and staff with everybody on them: who stays, who is moved, who is new."""
    stays = [row for row in whole.bookings if row.patient_ref not in placed]
    held = {(row.chair_pk, row.on, row.starts) for row in stays}
    running, before = Counter[tuple[date, time]](), Counter[tuple[date, time]]()
    for row in stays:
        running.update(hours_of(row.on, row.starts, row.ends))
    for row in whole.bookings:
        before.update(hours_of(row.on, row.starts, row.ends))
    given_up = {(row.old.chair_pk, row.old.on, row.old.starts) for row in placed.values() if row.trouble}
    for row in placed.values():
        for start in places_of(row):
            assert start not in held, "chair taken"
            assert start not in given_up, "a chair is free only when its place was given up"
            held.add(start)
        theirs = hours_of(row.place.on, row.place.starts, row.place.ends)
        running.update(theirs * problem.people[row.patient_ref].needs)
        most = whole.day(row.place.on).most
        assert most is None or max(before[hour] for hour in theirs) <= most, "nobody new among too many"
    for (on, hour), count in running.items():
        most = whole.day(on).most
        assert most is None or count <= max(most, before[on, hour]), "staff at once"


def test_of_too_many_at_once_only_as_many_leave_as_must() -> None:
    """Three on a day whose staff are one short by now; each could come on another day."""
    always = Dates(date(2024, 1, 1))
    days = tuple(Day(day_of(n), True, "", time(8), time(18), 2 if n == 3 else None) for n in range(10))
    slots = tuple(SlotRule(c, f"Chair {c}", 1, time(9), time(13), always, always) for c in CHAIRS)
    bookings = tuple(booked(c, c, day_of(3), 1, ref=f"P{c}", state="confirmed") for c in CHAIRS)
    taken = frozenset((c, day_of(3), 1) for c in CHAIRS)
    calendar = SiteCalendar(MONDAY, LAST, days, tuple((c, "") for c in CHAIRS), slots, (), taken, bookings)
    who = Seeker(
        today=MONDAY, now=NOW, earliest=day_of(1), samples_by=RULES, best=day_of(3), latest_safe=day_of(9),
        chance=dict.fromkeys(map(day_of, range(10)), 0.01),
    )  # fmt: skip
    people = {
        one.patient_ref: holding(
            ToPlace(one.chair_pk, one.patient_ref, "", who, 4, 200, 1, known=True, stale=False, locked="",
                    missed_lately=0, missed_on=None, booked=()), one,
        )
        for one in bookings
    }  # fmt: skip
    troubles = troubled(calendar, set(people))
    assert len(troubles) == 3
    found = solved(posed(
        calendar, people, movers=frozenset(), asked=Asked(), accepted={}, flagged=(), usual=0.1, troubles=troubles
    ))  # fmt: skip
    assert (len(found.placed), found.left) == (1, ())
    assert found.placed[0].place.on in (day_of(2), day_of(4)), "near the day they knew"


def sample_could_be_taken(start: datetime, hours_before: int, open_days: frozenset[date]) -> bool:
    """By whole hours, for starts on the hour: open day, 08:00 to 16:00, not in the past."""
    at = start - timedelta(hours=hours_before)
    return at.date() in open_days and time(8) <= at.time() <= time(16) and at >= NOW


@settings(max_examples=20, deadline=None)
@given(units())
def test_the_same_problem_gives_the_same_proposal(drawn) -> None:
    assert solved(drawn[0]) == solved(drawn[0])
