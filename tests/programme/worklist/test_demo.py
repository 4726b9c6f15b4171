"""The invented programme: always the same for a day, calm, and with its stories told by real records."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from programme.core.models import User
from programme.worklist import demo
from programme.worklist.demo_load import NotForThisDatabase, load_demo

pytestmark = pytest.mark.either_database
TODAY = date(2026, 6, 1)
AT = datetime(2026, 6, 1, 9, tzinfo=ZoneInfo("Europe/London"))


def rows_of(today: date) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(demo.make_course(demo.read_scenario(), today).history.decode())))


def test_about_forty_people_over_two_to_three_years():
    rows = rows_of(TODAY)
    assert len({row["patient_ref"] for row in rows}) == 40
    first = min(date.fromisoformat(row["session_date"]) for row in rows)
    assert 2 <= (TODAY - first).days / 365.25 <= 3


def test_the_same_day_gives_the_same_file_and_another_day_moves_it():
    scenario = demo.read_scenario()
    assert demo.make_course(scenario, TODAY).history == demo.make_course(scenario, TODAY).history
    later = {row["session_date"] for row in rows_of(TODAY + timedelta(days=7))}
    assert max(later) > max(row["session_date"] for row in rows_of(TODAY))


def test_nobody_came_on_a_weekend_or_in_the_future():
    last = {}
    for row in rows_of(TODAY):
        last[row["patient_ref"]] = date.fromisoformat(row["session_date"])
    assert all(day.weekday() < 5 and day <= TODAY for day in last.values())


@pytest.mark.django_db
def test_the_demo_refuses_postgresql(tmp_path, settings):
    settings.VAR_DIR = tmp_path
    with pytest.raises(NotForThisDatabase, match="refused on PostgreSQL"):
        load_demo(today=TODAY, at=AT, vendor="postgresql")
    assert not User.objects.exists()
    assert not list(tmp_path.iterdir())
