"""A disk that is full: said in a clear sentence, nothing half written, and work goes on once there is room."""

from __future__ import annotations

import errno
from contextlib import contextmanager

import psycopg
import pytest
from django.db import OperationalError, connection
from django.test import Client
from django.urls import reverse

from patients.models import BodyMeasure
from programme.core import trail
from programme.core.models import Receipt, TrailEntry
from programme.core.outages import NO_ANSWER, NO_ROOM, outage_of
from programme.core.views.faults import went_wrong
from tests.conftest import client_of
from tests.factories import make_patient

MOST_WEIGHTS = 2_000  # far more than fit into the little room that is left


@contextmanager
def room_for(pages: int):
    """Let the database grow by so many pages at most; the limit is SQLite's own, and no other file of it is held."""
    with connection.cursor() as cursor:
        used = cursor.execute("PRAGMA page_count").fetchone()[0]
        cursor.execute(f"PRAGMA max_page_count = {used + pages}")
        try:
            yield
        finally:
            cursor.execute("PRAGMA max_page_count = 4294967294")


def record_weight(client: Client, number: int):
    sent = {
        "receipt": f"full-{number}",
        "on": "2026-05-04",
        "weight_kg": f"{50 + number / 100:.2f}",
        "source": "s" * 60,
    }
    return client.post(reverse("worklist:add_measure", args=["F1"]), sent)


@pytest.mark.either_database
@pytest.mark.django_db(transaction=True)
def test_a_full_disk_is_said_and_nothing_is_half_written(site, nurse, frozen_day):
    make_patient("F1", site=site, with_measure=False)
    client = client_of(nurse)
    client.raise_request_exception = False
    assert record_weight(client, 0).status_code == 302
    with room_for(pages=6):
        answered = 1
        while (answer := record_weight(client, answered)).status_code == 302:
            answered += 1
            assert answered < MOST_WEIGHTS, "the disk does not fill"
        assert answer.status_code == 503
        assert NO_ROOM.heading in answer.content.decode() and NO_ROOM.words in answer.content.decode()
        check_what_was_answered_is_there(answered)
        assert record_weight(client, answered).status_code == 503  # and the service has not come down over it
        assert client.get("/health/").status_code == 200
    assert record_weight(client, answered).status_code == 302
    check_what_was_answered_is_there(answered + 1)


def check_what_was_answered_is_there(answered: int) -> None:
    assert BodyMeasure.objects.count() == answered
    assert Receipt.objects.exclude(outcome="").count() == Receipt.objects.count() == answered
    assert TrailEntry.objects.filter(action="record measure").count() == answered
    assert trail.faults(TrailEntry.objects.all()) == []


# What is told from what


def caused(by: Exception) -> OperationalError:
    error = OperationalError("could not extend file base/16384/2619 for F1")
    error.__cause__ = by
    return error


@pytest.mark.parametrize(
    ("error", "outage"),
    [
        (caused(psycopg.errors.DiskFull("no space left")), NO_ROOM),
        (OSError(errno.ENOSPC, "no space left"), NO_ROOM),
        (caused(psycopg.errors.AdminShutdown("terminating")), NO_ANSWER),
        (OperationalError("could not connect"), NO_ANSWER),
        (OSError(errno.ENOENT, "no such file"), None),
        (ValueError("a mistake in the code"), None),
        (None, None),
    ],
)
def test_no_room_no_answer_and_a_mistake_are_told_apart(error, outage):
    assert outage_of(error) is outage


def test_the_page_of_a_database_that_is_away_asks_nothing_of_it(rf):
    """This test may not reach one: whatever asked it would fail here."""
    try:
        raise OperationalError("connection to db.inside.example refused for user ebb")
    except OperationalError:
        answer = went_wrong(rf.get("/"))
    assert answer.status_code == 503
    assert NO_ANSWER.words in answer.content.decode() and "db.inside" not in answer.content.decode()
    try:
        raise ValueError("of somebody")
    except ValueError:
        answer = went_wrong(rf.get("/"))
    assert answer.status_code == 500
    assert "Something went wrong" in answer.content.decode() and "of somebody" not in answer.content.decode()
