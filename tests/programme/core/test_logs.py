"""The log: one line of JSON a record, which request it belongs to, and nothing of any person."""

import io
import json
import logging
import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from django.test import Client

from programme.celery import log_as_everywhere
from programme.core import asked
from programme.core.logs import JsonLines, NotOfWatchers
from programme.worklist.views import course
from tests import factories
from tests.conftest import client_of

ROOT = Path(__file__).resolve().parents[3]
SECRET = ("SM-4711", "Secretname", "Hiddenfirst", "1983", "Quietword")


@pytest.fixture
def lines():
    """All that is logged from INFO on, by every logger, as in production."""
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(JsonLines())
    handler.addFilter(NotOfWatchers())
    root, requests = logging.getLogger(), logging.getLogger("programme.requests")
    before = (root.level, requests.level)
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    requests.setLevel(logging.INFO)
    yield lambda: [json.loads(line) for line in out.getvalue().splitlines()]
    root.removeHandler(handler)
    root.setLevel(before[0])
    requests.setLevel(before[1])


@pytest.fixture
def person(site, consultant, frozen_day):
    patient = factories.make_patient(
        SECRET[0], site=site, family_name=SECRET[1], given_name=SECRET[2], birth_date=date(1983, 4, 5)
    )
    factories.make_course_note(patient, by=consultant)
    return patient


@pytest.mark.django_db
def test_nothing_of_a_person_is_logged_whether_pages_work_or_fail(lines, person, nurse, monkeypatch):
    client = client_of(nurse)
    client.raise_request_exception = False
    for page in ("", "records/", "blood/", "nowhere/", "records/?said=Quietword"):
        client.get(f"/people/{SECRET[0]}/{page}")
    client.get("/?find=Secretname")
    client.post(f"/people/{SECRET[0]}/notes/", {"text": "Quietword"})
    Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "Quietword", "next": f"/people/{SECRET[0]}/"})

    def fails(*_, **__):
        try:
            int(SECRET[1])
        except ValueError as error:
            raise RuntimeError(f"{person.given_name} born {person.birth_date}: Quietword") from error

    monkeypatch.setattr(course, "site_now", fails)
    assert client.get(f"/people/{SECRET[0]}/").status_code == 500
    said = lines()
    text = json.dumps(said)
    assert [word for word in SECRET if word in text] == []
    assert {line["status"] for line in said if "status" in line} >= {200, 403, 404, 500}
    failed = next(line for line in said if "error" in line)
    assert (failed["route"], failed["level"]) == ("people/<path:patient_ref>/", "error")
    assert (failed["error"]["kind"], failed["error"]["after"]["kind"]) == ("RuntimeError", "ValueError")
    assert any("test_logs.py" in place and "fails" in place for place in failed["error"]["at"])


@pytest.mark.django_db
def test_the_answer_bears_the_id_of_its_lines(lines, nurse_client, site):
    first, second = nurse_client.get("/"), nurse_client.get("/settings/")
    ids = [first.headers[asked.HEADER], second.headers[asked.HEADER]]
    assert len(set(ids)) == 2
    answered = [(line["request"], line["route"], line["status"]) for line in lines() if line["message"] == "answered"]
    assert answered == [(ids[0], "/", 200), (ids[1], "settings/", 200)]
    assert all(line["ms"] > 0 and line["method"] == "GET" for line in lines())


@pytest.mark.django_db
def test_what_machines_ask_every_few_seconds_is_not_logged_even_where_it_fails(lines, monkeypatch):
    monkeypatch.setattr("programme.core.readiness.missing", lambda: ("database",))
    assert Client().get("/health/").status_code == 200
    assert Client().get("/ready/").status_code == 503
    assert lines() == []


def test_numbers_are_told_and_words_are_not(lines):
    log = logging.getLogger("some.library")
    log.warning("message %s of %s waits", 7, "Secretname")
    log.error("Task %(name)s: %(exc)s", {"name": "t", "exc": "Secretname"}, extra={"data": {"name": "replan_share"}})
    assert [line["message"] for line in lines()] == ["message 7 of … waits", "Task …: …"]
    assert lines()[1]["task"] == "replan_share"
    wrong = logging.makeLogRecord({"msg": "%d of them", "args": ("Secretname",)})
    assert json.loads(JsonLines().format(wrong))["message"] == "%d of them"


def test_a_line_stays_one_line_whatever_is_said(lines):
    try:
        raise ValueError("one\ntwo")
    except ValueError:
        logging.getLogger("any").error("first\nsecond", exc_info=sys.exc_info())
    (line,) = lines()
    assert line["message"] == "first\nsecond"
    assert line["error"]["kind"] == "ValueError"


def test_workers_write_the_same_log(settings, monkeypatch):
    told = []
    monkeypatch.setattr("programme.celery.dictConfig", told.append)
    log_as_everywhere()
    assert told == [settings.LOGGING]


def test_no_other_handler_writes_beside_it_even_in_a_process_that_debugs():
    """A real process with the settings as they are: the framework's own handlers would print the address."""
    code = "import django; django.setup(); from django.test import Client; "
    code += "Client(SERVER_NAME='localhost').get('/nowhere/SM-4711/')"
    surroundings = os.environ | {"DEBUG": "True", "LOG_FORMAT": "json", "DJANGO_SETTINGS_MODULE": "programme.settings"}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=surroundings, capture_output=True, text=True)
    assert [json.loads(line)["status"] for line in done.stderr.splitlines()] == [404, 404]
    assert "SM-4711" not in done.stdout + done.stderr
