"""The invented programme: always the same for a day, calm, and with its stories told by real records."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from patients.models import Patient
from programme.core.models import TrailEntry, User
from programme.planning.models import Suggestion
from programme.worklist import demo
from programme.worklist.demo_load import NotForThisDatabase, load_demo
from sessions.models import BacktestRun, ExchangeSession, StoredForecast

TODAY = date(2026, 6, 1)
AT = datetime(2026, 6, 1, 9, tzinfo=ZoneInfo("Europe/London"))


def rows_of(today: date) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(demo.make_course(demo.read_scenario(), today).history.decode())))


@pytest.fixture
def loaded(tmp_path, settings, django_capture_on_commit_callbacks, db):
    settings.VAR_DIR = tmp_path
    with django_capture_on_commit_callbacks(execute=True):
        return load_demo(today=TODAY, at=AT, vendor="sqlite")


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


def test_the_stories_end_as_they_should(loaded):
    said = {row.patient.patient_ref: row for row in Suggestion.objects.select_related("patient")}
    assert said["SM-039"].reason.startswith("Possible delayed haemolysis")
    assert said["SM-045"].reason.startswith("Pregnancy")
    assert said["SM-049"].reason.startswith("Something unknown was transfused elsewhere")
    assert said["SM-056"].reason.startswith("No HbS result within the last")
    assert said["SM-053"].status == "ok"
    assert any("Few gaps" in words for words in said["SM-053"].body["warnings"])
    assert StoredForecast.objects.get(patient__patient_ref="SM-042").flag["now"] > 0
    assert Patient.objects.get(patient_ref="SM-048").goals.order_by("-since")[0].hbs_ceiling_pct == 50
    run = BacktestRun.objects.get()  # for the page Review; nobody has accepted anything
    assert run.form_chosen == ""
    assert run.result["n_forecasts"] >= 300
    methods = {row.options["working"]["method"] for row in said.values() if row.status == "ok"}
    assert methods == {"two_arm", "one_arm"}
    unavailable = [ref for ref, row in said.items() if row.status != "ok"]
    assert sorted(unavailable) == ["SM-039", "SM-045", "SM-049", "SM-056"]
    # The reaction is locked by figures and not only by the sign that was noted.
    rows = StoredForecast.objects.get(patient__patient_ref="SM-039").locked["rows"]
    figures = [row for row in rows if "found" in row]
    assert len(figures) == 2
    assert all(row["found"] < row["lowest"] < row["expected"] for row in figures)


def test_a_second_load_changes_nothing_and_the_three_sign_ins_work(loaded, client):
    before = (ExchangeSession.objects.count(), TrailEntry.objects.count(), loaded.sign_ins.read_text())
    again = load_demo(today=TODAY + timedelta(days=3), at=AT + timedelta(days=3), vendor="sqlite")
    assert not again.is_new
    assert (ExchangeSession.objects.count(), TrailEntry.objects.count(), loaded.sign_ins.read_text()) == before
    # Readable by their owner only.
    assert loaded.sign_ins.stat().st_mode & 0o077 == 0
    lines = loaded.sign_ins.read_text().splitlines()
    assert len(lines) == 3
    for line in lines:
        *_, username, password = line.split()
        assert client.login(username=username, password=password)
    assert User.objects.filter(is_demo=True).count() == 3


@pytest.mark.django_db
def test_the_demo_refuses_postgresql(tmp_path, settings):
    settings.VAR_DIR = tmp_path
    with pytest.raises(NotForThisDatabase, match="refused on PostgreSQL"):
        load_demo(today=TODAY, at=AT, vendor="postgresql")
    assert not User.objects.exists()
    assert not list(tmp_path.iterdir())
