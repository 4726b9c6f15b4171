"""A server's clock that jumps, forwards or back: nothing is held for ever, nobody stays signed in, and it is said."""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from patients.models import BodyMeasure
from patients.services import record_measure
from programme.core import time_out, trail
from programme.core.models import TrailEntry
from programme.core.numeric.throttle import FREE_TRIES
from programme.core.sign_ins import Place, prove_password
from programme.intake.models import Reading
from programme.intake.services.keeping import keep_raw
from programme.intake.services.reading import read_message
from programme.planning import replan as replanning
from programme.planning.models import ReplanChunk, ReplanRun
from sessions.day.numeric.clocks import clock_is_behind
from tests.factories import (
    NOW,
    PASSWORD,
    TODAY,
    make_entry,
    make_fit,
    make_patient,
    make_running,
    make_user,
)
from tests.programme.intake.numeric.test_hl7 import message

pytestmark = pytest.mark.django_db
DAY, HOUR, MINUTE = timedelta(days=1), timedelta(hours=1), timedelta(minutes=1)
WRONG_BY = (DAY, HOUR)


# Leases


@pytest.fixture
def run(site):
    run = ReplanRun.objects.create(site=site, as_of=TODAY, started_at=NOW, model_fit=make_fit(site))
    ReplanChunk.objects.create(run=run, number=1, patient_keys=[])
    return run


@pytest.mark.parametrize("ahead", WRONG_BY)
def test_a_chunk_taken_by_a_clock_that_ran_ahead_is_free_again_once_it_is_put_right(run, ahead):
    taken = replanning.take_chunk(run, at=NOW + ahead)
    assert taken is not None and taken.lease_until == NOW + ahead + replanning.LEASE
    again = replanning.take_chunk(run, at=NOW)
    assert again is not None and again.attempt == 2
    assert replanning.take_chunk(run, at=NOW + MINUTE) is None  # this lease is one of now, and stands


def test_clocks_of_two_machines_that_differ_a_little_take_nothing_from_each_other(run):
    assert replanning.take_chunk(run, at=NOW + MINUTE) is not None
    assert replanning.take_chunk(run, at=NOW) is None


@pytest.mark.parametrize("ahead", WRONG_BY)
def test_a_message_taken_by_a_clock_that_ran_ahead_is_read_once_it_is_put_right(site, ahead):
    raw = keep_raw(site=site, sender="LAB", kind="hl7", message_id="M1", body=message(), at=NOW)
    Reading.objects.filter(raw=raw).update(lease_until=NOW + ahead, attempt=1)
    assert read_message(raw.pk, at=NOW)
    assert not read_message(raw.pk, at=NOW + ahead)


# Signed in


def begun(at):
    kept = {}
    time_out.begin(kept, idle_min=30, hours=12, at=at)
    return kept


@pytest.mark.parametrize("ahead", WRONG_BY)
def test_nobody_stays_signed_in_by_a_clock_that_ran_ahead(ahead):
    kept = begun(NOW)
    time_out.act(kept, NOW + 20 * MINUTE)
    assert not time_out.is_over(kept, NOW + 20 * MINUTE - timedelta(seconds=30))
    assert time_out.is_over(kept, NOW)  # set back by twenty minutes: the password is asked for
    assert time_out.came_from(kept, name="n", account="h", at=NOW) is not None
    kept = begun(NOW + ahead)
    assert time_out.is_over(kept, NOW)
    assert time_out.came_from(kept, name="n", account="h", at=NOW) is None
    said = time_out.came_from(kept, name="n", account="h", at=NOW + ahead)
    assert time_out.may_return({time_out.RETURNING: said}, NOW + ahead) == said
    assert time_out.may_return({time_out.RETURNING: said}, NOW) is None


def test_a_jump_forwards_asks_for_the_password_and_loses_nothing():
    kept = begun(NOW)
    assert time_out.is_over(kept, NOW + HOUR)
    assert time_out.came_from(kept, name="n", account="h", at=NOW + HOUR)["since"] == NOW.timestamp()


@pytest.mark.parametrize("ahead", WRONG_BY)
def test_nobody_is_shut_out_by_tries_that_a_clock_ran_ahead_of(site, ahead):
    user = make_user(site=site, username="a.fenwick", with_password=True)
    place = Place("192.0.2.1", "")
    for _ in range(FREE_TRIES):
        with pytest.raises(ValidationError, match="do not fit together"):
            prove_password(name="a.fenwick", password="not-this-one-at-all", place=place, at=NOW + ahead)
    with pytest.raises(ValidationError, match="waits here"):
        prove_password(name="a.fenwick", password=PASSWORD, place=place, at=NOW + ahead)
    assert prove_password(name="a.fenwick", password=PASSWORD, place=place, at=NOW) == user


# The trail


def test_the_trail_keeps_the_order_in_which_things_were_done(site, nurse):
    patient = make_patient("C1", site=site, with_measure=False)
    for number, at in enumerate((NOW, NOW + DAY, NOW - HOUR, NOW + MINUTE)):
        record_measure(patient=patient, on=TODAY, weight_kg=50.0 + number, actor=nurse, at=at)
    entries = TrailEntry.objects.filter(action="record measure").order_by("number")
    assert [entry.after["weight_kg"] for entry in entries] == [50.0, 51.0, 52.0, 53.0]
    assert trail.faults(TrailEntry.objects.all()) == []
    assert BodyMeasure.objects.count() == 4


# At the chair


@pytest.mark.parametrize(("seconds", "behind"), [(-3600, False), (0, False), (60, False), (61, True), (86_400, True)])
def test_a_clock_that_is_behind_what_was_received_is_noticed(seconds, behind):
    assert clock_is_behind(NOW + timedelta(seconds=seconds), NOW) is behind
    assert clock_is_behind(None, NOW) is False


def test_the_chair_says_that_times_cannot_be_relied_on_once_the_clock_was_set_back(site, nurse, nurse_client):
    running = make_running(make_patient("C2", site=site), by=make_user(site=site, role="consultant"))
    address = reverse("bedside:run", args=["C2", running.pk])
    make_entry(running, "moved", {"step": 1, "out_ml": 50.0, "in_ml": 0.0}, by=nurse, received_at=NOW)
    warned = "The server&#x27;s clock was changed", "The server's clock was changed"
    with time_machine.travel(NOW + MINUTE, tick=False):
        page = nurse_client.get(address).content.decode()
        assert not any(words in page for words in warned)
    with time_machine.travel(NOW - HOUR, tick=False):
        page = nurse_client.get(address).content.decode()
        assert any(words in page for words in warned)
