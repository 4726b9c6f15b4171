"""Sample windows: published rules (as quoted) and boundaries worked by hand."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.core.numeric.setting_table import DEFAULTS
from sessions.day.numeric.samples import (
    SampleRule,
    SamplingHours,
    Span,
    earliest_taken,
    holds_at,
    holds_until,
    sample_rule,
    sample_spans,
    shortest_rule,
)

LONDON = ZoneInfo("Europe/London")
CLOCK = SampleRule(72, by_calendar_day=False, recent=True, why="")
CALENDAR = SampleRule(72, by_calendar_day=True, recent=True, why="")
WEEK = SampleRule(168, by_calendar_day=False, recent=False, why="")
HOURS = SamplingHours(8, 16, 2)
MINUTE = timedelta(minutes=1)


def at(day: int, hour: int, minute: int = 0, *, month: int = 6) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=LONDON)


def rule(last: date | None, *, pregnant_until: date | None = None, **settings: float) -> SampleRule:
    return sample_rule(
        date(2026, 6, 10), last_transfused=last, pregnant_until=pregnant_until, settings=DEFAULTS | settings
    )


def test_three_days_when_transfused_within_three_months_seven_days_otherwise():
    """Milkins C et al., Transfus Med 2013;23:3-35, as quoted: 3 days, otherwise 7 days; not known counts as recent."""
    assert rule(date(2026, 5, 13)).hours == 72
    assert rule(date(2026, 1, 10)).hours == 168
    assert rule(None).hours == 72
    assert rule(date(2026, 1, 10), pregnant_until=date(2026, 6, 10)).hours == 72


def test_the_ninetieth_day_is_still_within():
    ninety = date(2026, 6, 10) - timedelta(days=90)
    assert rule(ninety).recent
    assert not rule(ninety - timedelta(days=1)).recent
    assert rule(date(2025, 6, 1), pregnant_until=ninety).recent
    assert not rule(date(2025, 6, 1), pregnant_until=ninety - timedelta(days=1)).recent


def test_by_the_clock_the_exact_hour_still_counts_and_a_minute_more_does_not():
    """The rule as quoted: within 72 h of the start. Start Thursday 11 June 09:00, so from Monday 8 June 09:00."""
    start = at(11, 9)
    assert earliest_taken(start, CLOCK) == at(8, 9)
    assert holds_at(at(8, 9), start, CLOCK)
    assert not holds_at(at(8, 8, 59), start, CLOCK)
    assert holds_until(at(8, 9), CLOCK) == start


def test_by_calendar_days_mondays_sample_holds_to_the_end_of_wednesday():
    """A notice of Exeter laboratory, 2015: a sample of Monday is valid to the end of Wednesday."""
    assert holds_at(at(8, 16), at(10, 23, 59), CALENDAR)
    assert not holds_at(at(8, 16), at(11, 0), CALENDAR)
    assert earliest_taken(at(10, 9), CALENDAR) == at(8, 0)
    assert earliest_taken(at(11, 9), CALENDAR) == at(9, 0)


def test_over_a_change_of_clocks_real_hours_count():
    """Clocks go forward on Sunday 29 March 2026 at 01:00: 72 h before Monday 09:00 summer time is Friday 08:00."""
    start = datetime(2026, 3, 30, 9, tzinfo=LONDON)
    assert earliest_taken(start, CLOCK) == datetime(2026, 3, 27, 8, tzinfo=LONDON)
    assert holds_at(datetime(2026, 3, 27, 8, tzinfo=LONDON), start, CLOCK)
    assert not holds_at(datetime(2026, 3, 27, 7, 59, tzinfo=LONDON), start, CLOCK)


def spans(start: datetime, rule: SampleRule = CLOCK, hours: SamplingHours = HOURS, holidays=frozenset()):
    days = {start.date() - timedelta(days=back) for back in range(9)}
    open_days = {on for on in days if on.weekday() < 5 and on not in holidays}
    return sample_spans(start, rule=rule, hours=hours, open_days=open_days)


def test_the_window_is_cut_to_the_hours_in_which_samples_are_taken():
    """By hand: start Thursday 11:30. From Monday 11:30; Tuesday and Wednesday whole; Thursday 08:00 to 09:30."""
    assert spans(at(11, 11, 30)) == (
        Span(at(8, 11, 30), at(8, 16)),
        Span(at(9, 8), at(9, 16)),
        Span(at(10, 8), at(10, 16)),
        Span(at(11, 8), at(11, 9, 30)),
    )


def test_a_start_on_monday_leaves_friday_afternoon_and_monday_morning():
    """By hand: start Monday 15 June 10:00, so from Friday 10:00 (72 h over the weekend), and Monday 08:00 exactly."""
    assert spans(at(15, 10)) == (Span(at(12, 10), at(12, 16)), Span(at(15, 8), at(15, 8)))
    assert spans(at(15, 9)) == (Span(at(12, 9), at(12, 16)),)
    assert spans(at(15, 9), CALENDAR) == ()  # Saturday, Sunday, Monday: no open hour before the laboratory's cut-off


def test_after_a_long_weekend_no_hour_is_left():
    """Easter 2026, Friday 3 and Monday 6 April closed: Tuesday 09:00 needs Saturday 09:00 or later, so no open day."""
    easter = frozenset({date(2026, 4, 3), date(2026, 4, 6)})
    start = at(7, 9, month=4)
    assert spans(start, holidays=easter) == ()
    assert spans(at(7, 10, month=4), holidays=easter) == (Span(at(7, 8, month=4), at(7, 8, month=4)),)
    assert spans(start, WEEK, holidays=easter)[0] == Span(at(31, 9, month=3), at(31, 16, month=3))


def test_one_minute_before_sampling_opens_the_window_is_shut():
    assert spans(at(15, 9, 59)) == (Span(at(12, 9, 59), at(12, 16)),)
    hours = SamplingHours(8, 24, 0)
    assert spans(at(12, 9), hours=hours)[0].last == datetime(2026, 6, 10, 0, 0, tzinfo=LONDON)


@given(
    start=st.datetimes(datetime(2026, 1, 5), datetime(2026, 12, 20)),
    hours=st.sampled_from([24, 48, 72, 96, 168]),
    by_day=st.booleans(),
    closes=st.integers(9, 24),
    before=st.integers(0, 24),
)
def test_every_moment_of_a_window_holds_and_none_outside_does(start, hours, by_day, closes, before):
    """Law: a sample of either end of a stretch holds at the start; one just before the earliest does not."""
    start = start.replace(tzinfo=UTC)
    rule = SampleRule(hours, by_day, recent=True, why="")
    first = earliest_taken(start, rule)
    assert holds_at(first, start, rule)
    assert not holds_at(first - MINUTE, start, rule)
    found = spans(start, rule, SamplingHours(8, closes, before))
    for span in found:
        assert first <= span.first <= span.last <= start - timedelta(hours=before)
        assert span.first.hour >= 8
        assert span.first.weekday() < 5
        assert holds_at(span.first, start, rule)
        assert holds_at(span.last, start, rule)
    assert [span.first for span in found] == sorted(span.first for span in found)


@pytest.mark.parametrize("hours", [25, 48, 49])
def test_part_days_are_rounded_up_by_calendar_days(hours):
    days = {25: 2, 48: 2, 49: 3}[hours]
    rule = SampleRule(hours, by_calendar_day=True, recent=True, why="")
    assert earliest_taken(at(11, 9), rule) == at(11 - days + 1, 0)


@given(
    since=st.one_of(st.none(), st.integers(0, 400)),
    pregnant=st.one_of(st.none(), st.integers(0, 400)),
    age_min=st.integers(0, 9 * 24 * 60),
    by_day=st.booleans(),
    short=st.sampled_from([48, 72]),
    long=st.sampled_from([48, 72, 168]),
)
def test_what_holds_by_the_shortest_rule_holds_whatever_is_known(since, pregnant, age_min, by_day, short, long):
    """Law: with it, when red cells were last given need not be asked; also where a site's long span is the shorter."""
    settings = DEFAULTS | {
        "sample_by_calendar_day": float(by_day), "sample_valid_hours": short, "sample_valid_hours_else": long,
    }  # fmt: skip
    at = datetime(2026, 6, 10, 9, 30, tzinfo=UTC)
    on = at.date()
    last, until = (None if days is None else on - timedelta(days=days) for days in (since, pregnant))
    own = sample_rule(on, last_transfused=last, pregnant_until=until, settings=settings)
    taken = at - age_min * MINUTE
    if holds_at(taken, at, shortest_rule(settings)):
        assert holds_at(taken, at, own)
    if short == long:
        assert holds_at(taken, at, shortest_rule(settings)) == holds_at(taken, at, own)
