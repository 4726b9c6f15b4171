"""Health and readiness: said to anybody, in a word, and never more than what is missing."""

import pytest
from django.db import OperationalError, connections
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client

from programme.core import readiness
from programme.core.databases import database_of

NOBODY_ANSWERS = ("sqlite:////nowhere/at/all.sqlite3", "postgres://nobody@127.0.0.1:9/none?connect_timeout=2")


@pytest.fixture
def gone(request, django_db_blocker):
    connections.databases["gone"] = connections.databases["default"] | database_of(request.param)
    with django_db_blocker.unblock():
        yield "gone"
        connections["gone"].close()
    del connections["gone"]
    del connections.databases["gone"]


def test_the_process_answers_without_a_database():
    """This test may not reach one: whatever asked it would fail here."""
    answer = Client().get("/health/")
    assert (answer.status_code, answer.content) == (200, b"ok\n")
    assert "no-store" in answer.headers["Cache-Control"]
    assert Client().post("/health/").status_code == 405


@pytest.mark.django_db
def test_with_everything_there_it_is_ready(django_assert_max_num_queries):
    with django_assert_max_num_queries(2):  # is there a table of migrations, and which
        answer = Client().get("/ready/")
    assert (answer.status_code, answer.content) == (200, b"ready\n")
    assert "no-store" in answer.headers["Cache-Control"]


@pytest.mark.parametrize("gone", NOBODY_ANSWERS, indirect=True)
def test_a_database_that_does_not_answer_is_missing(gone):
    assert readiness.missing(gone) == ("database",)


@pytest.mark.django_db
def test_a_database_that_the_code_has_outgrown_is_not_ready(monkeypatch):
    known = readiness._known_migrations() | {("core", "9999_to_come")}
    monkeypatch.setattr(readiness, "_known_migrations", lambda: known)
    answer = Client().get("/ready/")
    assert (answer.status_code, answer.content) == (503, b"not ready: migrations\n")


@pytest.mark.django_db
def test_what_is_missing_is_named_and_nothing_more(monkeypatch, settings):
    def broken(self):
        raise OperationalError("no route to db.inside.example as user ebb")

    monkeypatch.setattr(MigrationRecorder, "applied_migrations", broken)
    settings.REDIS_URL = "redis://127.0.0.1:9/0"
    monkeypatch.setattr(readiness.app.conf, "broker_url", settings.REDIS_URL)
    monkeypatch.setattr(readiness.app.conf, "broker_write_url", settings.REDIS_URL)
    answer = Client().get("/ready/")
    assert (answer.status_code, answer.content) == (503, b"not ready: database, tasks\n")


@pytest.mark.redis
def test_a_queue_that_answers_is_not_missing(settings):
    assert settings.REDIS_URL
    assert readiness._missing_of_tasks() == ()


def test_watchers_inside_are_not_sent_to_tls(settings):
    settings.SECURE_SSL_REDIRECT = True
    assert Client().get("/health/").status_code == 200
    assert Client().get("/sign-in/").status_code == 301
