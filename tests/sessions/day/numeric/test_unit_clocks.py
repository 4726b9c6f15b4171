"""The clocks of a unit and of the sample behind it, at their exact ends."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from programme.core.numeric.setting_table import DEFAULTS
from sessions.day.numeric.unit_clocks import (
    clock_faults,
    is_expired,
    late_start,
    out_too_long,
    sample_is_valid,
    sample_valid_before,
    unit_clocks,
)

LONDON = ZoneInfo("Europe/London")
OUT = datetime(2026, 6, 1, 9, 0, tzinfo=LONDON)
SECOND = timedelta(seconds=1)


def clocks(out=OUT, started=None):
    return unit_clocks(out_of_storage_at=out, started_at=started, settings=DEFAULTS)


def test_a_unit_ends_within_four_hours_of_leaving_storage():
    """NZ Blood clinical pages: each unit within 4 h, at most 50 mL in the first 15 min."""
    found = clocks(started=OUT + timedelta(minutes=20))
    assert found.end_by == OUT + timedelta(hours=4)
    assert found.start_by == OUT + timedelta(minutes=30)
    assert found.slow_until == OUT + timedelta(minutes=35)
    assert found.slow_ml == 50


def test_without_the_time_of_leaving_storage_the_end_counts_from_the_start():
    found = clocks(out=None, started=OUT)
    assert found.start_by is None
    assert found.end_by == OUT + timedelta(hours=4)
    assert clocks(out=None).end_by is None


def test_a_unit_may_not_be_started_once_it_had_to_be_ended():
    end = OUT + timedelta(hours=4)
    assert clock_faults(clocks(), end - SECOND) == ()
    assert "had to end by 13:00" in clock_faults(clocks(), end)[0]
    assert clock_faults(clocks(out=None), end) == ()


def test_a_late_start_is_asked_about_from_the_first_second_past_the_limit():
    limit = OUT + timedelta(minutes=30)
    assert late_start(clocks(), limit) == ""
    assert "0 min longer" in late_start(clocks(), limit + SECOND)
    assert "12 min longer" in late_start(clocks(), limit + timedelta(minutes=12))
    assert late_start(clocks(out=None), limit + timedelta(hours=3)) == ""


def test_a_sample_holds_for_exactly_72_hours_by_the_clock():
    """Milkins et al., Transfus Med 2013;23:3-35, as quoted: 3 days, judged at the start of the transfusion."""
    end = OUT + timedelta(hours=72)
    for at, holds in ((end - SECOND, True), (end, True), (end + SECOND, False)):
        assert sample_is_valid(OUT, at, hours=72, by_calendar_day=False) is holds
    assert not sample_is_valid(OUT, OUT - SECOND, hours=72, by_calendar_day=False)  # taken after the start


@pytest.mark.parametrize("hour", [0, 9, 23])
def test_by_calendar_days_a_sample_of_monday_holds_to_the_end_of_wednesday(hour):
    """Exeter laboratory, notice of 2015: Monday's sample is valid to the end of Wednesday."""
    monday = datetime(2026, 6, 1, hour, 0, tzinfo=LONDON)
    thursday = datetime(2026, 6, 4, 0, 0, tzinfo=LONDON)
    assert sample_valid_before(monday, hours=72, by_calendar_day=True) == thursday
    assert sample_is_valid(monday, thursday - SECOND, hours=72, by_calendar_day=True)
    assert not sample_is_valid(monday, thursday, hours=72, by_calendar_day=True)


def test_the_two_ways_of_counting_differ_as_laboratories_say():
    late_on_monday = datetime(2026, 6, 1, 22, 0, tzinfo=LONDON)
    on_thursday = datetime(2026, 6, 4, 9, 0, tzinfo=LONDON)
    assert sample_is_valid(late_on_monday, on_thursday, hours=72, by_calendar_day=False)
    assert not sample_is_valid(late_on_monday, on_thursday, hours=72, by_calendar_day=True)


def test_real_hours_count_over_a_change_of_clocks():
    taken = datetime(2026, 10, 24, 12, 0, tzinfo=LONDON)  # the clocks go back that night
    end = sample_valid_before(taken, hours=72, by_calendar_day=False)
    assert end.astimezone(UTC) - taken.astimezone(UTC) == timedelta(hours=72)
    assert end == datetime(2026, 10, 27, 11, 0, tzinfo=LONDON)


def test_a_unit_has_four_real_hours_in_the_night_in_which_the_clocks_go_back():
    """Sunday 25 October 2026, 02:00 summer time is 01:00 again: four hours from 00:30 are over at 03:30, not 04:30."""
    out = datetime(2026, 10, 25, 0, 30, tzinfo=LONDON)
    found = clocks(out)
    assert found.end_by == datetime(2026, 10, 25, 3, 30, tzinfo=LONDON)
    assert clock_faults(found, datetime(2026, 10, 25, 3, 30, tzinfo=LONDON))
    assert not clock_faults(found, datetime(2026, 10, 25, 3, 29, tzinfo=LONDON))
    again = datetime(2026, 10, 25, 1, 5, fold=1, tzinfo=LONDON)  # 95 minutes after 00:30 by a watch
    assert "65 min longer than the limit for starting" in late_start(found, again)
    assert " 95 min; the limit here is 30 min" in out_too_long(out, again, limit_min=30)


def test_a_part_of_a_day_counts_as_a_day_of_the_calendar():
    assert sample_valid_before(OUT, hours=50, by_calendar_day=True).date() == date(2026, 6, 4)
    assert sample_valid_before(OUT, hours=48, by_calendar_day=True).date() == date(2026, 6, 3)


def test_a_unit_may_be_used_to_the_end_of_its_last_day_or_to_its_minute():
    last = datetime(2026, 6, 1, 23, 59, 59, tzinfo=LONDON)
    assert not is_expired(date(2026, 6, 1), None, last)
    assert is_expired(date(2026, 6, 1), None, last + SECOND)
    noon = datetime(2026, 6, 1, 12, 0, tzinfo=LONDON)
    assert not is_expired(date(2026, 6, 1), time(12, 0), noon)
    assert is_expired(date(2026, 6, 1), time(12, 0), noon + SECOND)


@pytest.mark.parametrize(("after", "late"), [(29, False), (30, False), (31, True), (47, True)])
def test_a_unit_goes_back_to_stock_within_the_limit_only(after, late):
    """The 30 minute rule: out of temperature control for longer, red cells are discarded (Thomas et al., Transfusion
    2013, doi 10.1111/j.1537-2995.2012.03890.x, abstract)."""
    said = out_too_long(OUT, OUT + timedelta(minutes=after), limit_min=DEFAULTS["unit_return_limit_min"])
    assert bool(said) is late
    if late:
        assert f"from 09:00 to 09:{after}, {after} min; the limit here is 30 min" in said
        assert "It may not be returned to stock and is discarded, unless the blood bank decides otherwise" in said


def test_sixty_minutes_can_be_set_where_that_is_the_rule():
    """CSA Z902-15, 10.10.5, as told by Canadian Blood Services: 60 min since 2016."""
    assert out_too_long(OUT, OUT + timedelta(minutes=60), limit_min=60) == ""
    assert out_too_long(OUT, OUT + timedelta(minutes=60, seconds=1), limit_min=60)


def test_where_nobody_noted_when_it_left_storage_nobody_can_say_it_was_back_in_time():
    assert out_too_long(None, OUT, limit_min=30).startswith("It was not recorded when this unit left")
