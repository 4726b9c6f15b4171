"""Figures for a machine that watches: closed without the token, right where they can be checked, nobody named."""

import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from celery.signals import task_failure
from django.db import transaction
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from programme.core import backups, trail
from programme.core.tasks import seal_trail
from programme.intake.models import Reading, ReadingState
from programme.planning.models import ReplanRun
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
TOKEN = "a-token-of-tests-" + "t" * 32
ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture
def scrape(settings, frozen_day):
    """{(name, labels): value} as the parser of the library reads it."""
    settings.METRICS_TOKEN = TOKEN

    def read():
        answer = Client().get("/metrics/", headers={"Authorization": f"Bearer {TOKEN}"})
        assert answer.status_code == 200
        families = text_string_to_metric_families(answer.content.decode())
        return {(one.name, *sorted(one.labels.values())): one.value for family in families for one in family.samples}

    return read


@pytest.mark.parametrize("given", [None, "", "Bearer ", "Bearer wrong", TOKEN, f"Bearer {TOKEN}x", "Bearer \xfc"])
def test_without_the_token_it_is_closed(settings, given):
    headers = {} if given is None else {"Authorization": given}
    for token in ("", TOKEN):
        settings.METRICS_TOKEN = token
        answer = Client().get("/metrics/", headers=headers)
        assert (answer.status_code, answer.content) == (401, b"A token is needed.\n")


def test_answers_are_counted_by_pattern_and_class_and_name_nobody(scrape, nurse_client, site):
    factories.make_patient("SM-4711", site=site, family_name="Secretname")
    before = scrape()
    for _ in range(3):
        nurse_client.get("/people/SM-4711/")
    nurse_client.get("/people/Secretname/")
    nurse_client.get("/Secretname-4711")
    after = scrape()
    page = "people/<path:patient_ref>/"

    def rise(*key):
        return after.get(key, 0) - before.get(key, 0)

    assert rise("ebbline_requests_total", "2xx", page) == 3
    assert rise("ebbline_requests_total", "4xx", page) == 1
    assert rise("ebbline_requests_total", "4xx", "unknown address") == 1
    assert rise("ebbline_request_seconds_count", page) == 4
    assert rise("ebbline_request_seconds_sum", page) > 0
    assert not [key for key in after if any(word in str(key) for word in ("Secret", "4711", "saltmarsh", "Saltmarsh"))]


def test_ages_and_what_waits(scrape, site, other_site, settings):
    assert scrape()["ebbline_replan_age_seconds",] == float("inf")
    for place, hours in ((site, 30), (site, 2), (other_site, 5)):
        ended = NOW - timedelta(hours=hours)
        ReplanRun.objects.create(site=place, as_of=ended.date(), started_at=ended, finished_at=ended)
    ReplanRun.objects.create(site=other_site, as_of=NOW.date(), started_at=NOW)
    for state in (ReadingState.WAITING, ReadingState.WAITING, ReadingState.READ):
        raw = factories.make_raw_message(site, body=f"{Reading.objects.count()}".encode())
        Reading.objects.filter(raw=raw).update(state=state)
    found = scrape()
    assert found["ebbline_replan_age_seconds",] == pytest.approx(5 * 3600, abs=60)
    assert found["ebbline_messages_waiting",] == 2
    assert ("ebbline_backup_age_seconds",) not in found
    settings.BACKUP_FOLDER = Path("/kept")
    assert scrape()["ebbline_backup_age_seconds",] == float("inf")
    with transaction.atomic():
        trail.write([trail.Change(site.pk, None, backups.BACKED_UP, "backup")], actor=None, at=NOW - timedelta(hours=7))
    assert scrape()["ebbline_backup_age_seconds",] == pytest.approx(7 * 3600, abs=60)


def test_a_task_that_fails_is_counted_by_its_name(scrape):
    key = ("ebbline_failed_tasks_total", "seal_trail")
    before = scrape().get(key, 0)
    task_failure.send(sender=seal_trail, task_id="1", exception=ValueError("Secretname"), args=("SM-4711",))
    assert scrape()[key] == before + 1


@pytest.mark.parametrize("rows", [1, 3])
def test_it_asks_three_queries(scrape, settings, django_assert_num_queries, rows):
    settings.BACKUP_FOLDER = Path("/kept")
    for number in range(rows):
        site = factories.make_site(f"unit{number}")
        ReplanRun.objects.create(site=site, as_of=NOW.date(), started_at=NOW, finished_at=NOW)
    with django_assert_num_queries(3):
        scrape()


def test_processes_that_share_a_folder_are_counted_together(tmp_path):
    """Two real processes, as two workers of the web server; whichever is asked knows of both."""
    surroundings = os.environ | {
        "PROMETHEUS_MULTIPROC_DIR": str(tmp_path),
        "DJANGO_SETTINGS_MODULE": "programme.settings",
    }
    count = "import django; django.setup(); from programme.core import counted as c; "
    count += "c.note_request(route='r/', status=204, seconds=0.2); print(c.as_text({'now': ('said', 7)}).decode())"
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", count], cwd=ROOT, env=surroundings, capture_output=True, text=True, check=True
        )
    assert 'ebbline_requests_total{route="r/",status="2xx"} 2.0' in done.stdout
    assert "now 7.0" in done.stdout
