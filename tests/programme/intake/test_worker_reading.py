"""Reading as in production: a page keeps a message, and a real worker over Redis reads it."""

from __future__ import annotations

import json
import os
import signal

import pytest
from django.test import Client

from patients.models import LabResult
from programme.celery import app as celery_app
from programme.intake.models import Reading, ReadingState
from programme.intake.services.keeping import keep_raw
from programme.intake.services.senders import make_token
from programme.intake.tasks import read_waiting
from tests import factories
from tests.conftest import worker_process
from tests.factories import NOW
from tests.programme.intake.numeric.test_fhir import observation
from tests.programme.intake.numeric.test_hl7 import message
from tests.programme.intake.test_burst import (
    PATIENCE,
    ListenerProcess,
    burst,
    check_each_is_read_once,
    check_each_is_stored_once,
)
from tests.test_worker import wait_for

pytestmark = pytest.mark.django_db(transaction=True)


def test_what_a_page_and_a_listener_kept_is_read_by_a_worker(site, worker):
    factories.make_patient("R001", site=site)
    token = make_token(site=site, name="Tidewater Laboratory", at=NOW)
    answer = Client().post(
        "/fhir/Observation", json.dumps(observation()), content_type="application/fhir+json",
        headers={"Authorization": f"Bearer {token}"},
    )  # fmt: skip
    assert answer.status_code == 201
    wait_for(lambda: LabResult.objects.filter(source="Tidewater Laboratory").first())
    keep_raw(site=site, sender="LAB at HOSP", kind="hl7", message_id="M1", body=message(), at=NOW)
    read_waiting.delay()
    assert wait_for(lambda: LabResult.objects.filter(source="LAB at HOSP").first()).value == 31.5


def kill_both(site, folder, *, messages: int, kills: int, patience: float) -> None:
    """Send a burst, killing the listener so often, then the worker as it reads; each is stored once and read once."""
    factories.make_patient("R001", site=site)
    redis_url, read = os.environ["REDIS_URL"], Reading.objects.filter(state=ReadingState.READ)
    listener = ListenerProcess(folder / "listener.log", redis_url=redis_url)
    listener.start()
    try:
        senders = burst(listener, messages, kills=kills, patience=patience)
        with worker_process(folder / "worker.log", redis_url=redis_url, at_once=1) as worker:
            wait_for(read.first)
            os.killpg(worker.pid, signal.SIGKILL)
            worker.wait(timeout=30)
        begun = read.count()
        assert 0 < begun < messages
        with worker_process(folder / "again.log", redis_url=redis_url, at_once=1):
            read_waiting.delay()
            wait_for(lambda: read.count() >= begun + 10 or None)
        assert listener.end() == 0
    finally:
        if listener.started.poll() is None:
            listener.kill()
        celery_app.control.purge()
    check_each_is_stored_once(senders, messages)
    check_each_is_read_once(messages)


@pytest.mark.redis
def test_a_burst_with_listener_and_worker_killed_in_between(site, tmp_path, transactional_db):
    """Both by signal 9: what was answered is stored once, and read once in the end."""
    kill_both(site, tmp_path, messages=300, kills=1, patience=PATIENCE)


@pytest.mark.soak
@pytest.mark.redis
def test_ten_thousand_messages_with_listener_and_worker_killed(site, tmp_path, transactional_db):
    kill_both(site, tmp_path, messages=10_000, kills=3, patience=3_000)
