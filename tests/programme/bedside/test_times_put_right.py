"""A unit's start that is put right moves its clocks at once: on the run page, on the page of units, after a touch."""

import re
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse

from programme.bedside.queries.chair import asked_about
from programme.bedside.queries.record import read_record
from programme.bedside.queries.run import run_of
from programme.bedside.queries.units import units_of
from sessions.day.services.entering import add_entry
from sessions.models import DonationUnit, ExchangeSession
from tests.factories import NOW, TODAY, make_entry, make_needs, make_patient, make_running

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]

BEGAN = NOW - timedelta(hours=2)
CHECKED, RIGHT, ENTERED = (NOW - timedelta(minutes=minutes) for minutes in (110, 100, 5))  # 08:10, 08:20, 09:55


@pytest.fixture
def running(site, consultant):
    patient = make_patient("R7", site=site)
    make_needs(patient)
    running = make_running(patient, by=consultant, units=1, unit_state="running", started_at=BEGAN)
    DonationUnit.objects.update(checked_at=CHECKED, started_at=ENTERED)
    make_entry(running, "unit_started", {"unit": 1}, by=consultant, happened_at=ENTERED, received_at=ENTERED)
    return running


def put_right(running, nurse, moment):
    body = {"number": 3, "happened_at": moment.isoformat()}
    said = {"exchange_session": running, "key": f"t{moment:%H%M}", "kind": "time", "body": body, "actor": nurse}
    return add_entry(**said, at=NOW, why="entered late")


def text_of(client, running, name):
    page = client.get(reverse(f"bedside:{name}", args=["R7", running.pk])).content.decode()
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def test_the_run_page_counts_from_the_start_as_put_right(nurse, nurse_client, running):
    before = text_of(nurse_client, running, "run")
    assert "until 13:55" in before and "until 10:10" in before
    put_right(running, nurse, RIGHT)
    after = text_of(nurse_client, running, "run")
    assert "until 12:20" in after
    assert "13:55" not in after and "10:10" not in after


def test_the_page_of_units_counts_from_the_start_as_put_right(nurse, nurse_client, running):
    assert "slow until 10:10 , at most 50 mL; end by 13:55" in text_of(nurse_client, running, "units")
    put_right(running, nurse, RIGHT)
    after = text_of(nurse_client, running, "units")
    assert "end by 12:20" in after
    assert "slow until" not in after


def test_a_limit_that_has_gone_by_since_says_so(nurse, running):
    put_right(running, nurse, RIGHT)
    late = RIGHT + timedelta(hours=4, minutes=1)
    unit = run_of(running, viewer=nurse, today=TODAY, at=late).units[0]
    line = units_of(running, now=late).line(1)
    assert (unit.end_by, line.clocks.end_by) == (RIGHT + timedelta(hours=4),) * 2
    assert unit.end_by < late


def test_a_time_taken_back_gives_the_clocks_their_first_start_again(nurse, running):
    wrong = put_right(running, nurse, RIGHT)
    add_entry(exchange_session=running, key="u", kind="undo", body={"number": wrong.number}, actor=nurse, at=NOW)
    assert units_of(running, now=NOW).line(1).clocks.end_by == ENTERED + timedelta(hours=4)


def test_a_touch_is_judged_by_the_start_as_put_right(nurse, running):
    given = {"step": 2, "in_ml": 200, "out_ml": 0, "unit": 1, "fluid": "red_cells"}
    entry = make_entry(running, "moved", given, by=nurse)
    assert "10:10" in asked_about(entry)
    put_right(running, nurse, RIGHT)
    assert asked_about(entry) == ""


@pytest.mark.parametrize("name", ["run", "units"])
def test_a_clock_that_counts_from_the_start_of_its_unit_says_so(nurse_client, running, name):
    assert re.search("13:55 ,? ?counted from its start", text_of(nurse_client, running, name))
    DonationUnit.objects.update(out_of_storage_at=ENTERED - timedelta(minutes=25))
    known = text_of(nurse_client, running, name)
    assert "13:30" in known
    assert "counted from its start" not in known


def test_the_page_of_units_shows_the_times_of_a_unit_that_is_over_as_put_right(nurse, nurse_client, running):
    DonationUnit.objects.update(state="given", ended_at=NOW)
    make_entry(running, "unit_ended", {"unit": 1}, by=nurse)
    put_right(running, nurse, RIGHT)
    assert "08:20–10:00" in text_of(nurse_client, running, "units")


def test_paper_printed_while_the_session_runs_has_the_start_as_put_right(nurse, running):
    put_right(running, nurse, RIGHT)
    now = NOW.astimezone(ZoneInfo(running.patient.site.time_zone))
    record = read_record(ExchangeSession.objects.get(pk=running.pk), now)
    assert "08:20" in record.units[0].times
    assert "09:55" not in record.units[0].times
