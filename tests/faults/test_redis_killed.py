"""Redis killed by signal 9 or cut off: the nightly run is finished all the same, and nothing is done twice."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from celery import Celery
from django.conf import settings
from django.utils import timezone

from patients.models import Patient
from patients.services import raise_data_version
from programme.celery import app as celery_app
from programme.core.handing_over import hand_over
from programme.planning import replan as replanning
from programme.planning.models import ReplanRun, Suggestion
from programme.planning.tasks import replan_all
from sessions.facts import rebuild_facts
from sessions.models import StoredForecast
from tests import factories
from tests.conftest import worker_process
from tests.servers import Network, PrivateRedis

PATIENCE_S = 120.0
PEOPLE = 16


def wait_until(holds) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < give_up, "nothing came of it in time"
        time.sleep(0.02)


def add_people(site, today) -> None:
    """The worker lives on the real clock, so these people's days are counted back from today."""
    keys = []
    for number in range(PEOPLE):
        patient = factories.make_patient(f"N{number:02d}", site=site)
        factories.make_course(patient, last_on=today - timedelta(days=10 + number % 7))
        keys.append(patient.pk)
    rebuild_facts(keys, timezone.now())


def nightly_start(redis: PrivateRedis) -> None:
    """What beat does at its hour."""
    with celery_app.connection_for_write(redis.url) as broker:
        replan_all.apply_async(connection=broker)


def made() -> dict[int, tuple[int, object]]:
    """Who was renewed by which row, and when."""
    return {row.patient_id: (row.data_version, row.made_at) for row in Suggestion.objects.all()}


@contextmanager
def killed() -> Iterator[tuple[PrivateRedis, str, Callable[[], None], Callable[[], None]]]:
    with PrivateRedis() as redis:
        yield redis, redis.url, redis.kill, redis.start


@contextmanager
def cut_off() -> Iterator[tuple[PrivateRedis, str, Callable[[], None], Callable[[], None]]]:
    """The server goes on; the worker's network to it swallows everything, until it is mended."""
    with PrivateRedis() as redis, Network(redis.socket) as network:
        yield redis, network.url, lambda: setattr(network, "is_cut", True), lambda: setattr(network, "is_cut", False)
        assert network.swallowed > 0


@pytest.mark.redis
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("lost", [killed, cut_off])
def test_a_nightly_run_goes_on_without_redis_and_the_next_start_finds_it_done(site, tmp_path, monkeypatch, lost):
    today = timezone.now().astimezone(ZoneInfo(site.time_zone)).date()
    add_people(site, today)
    monkeypatch.setattr(replanning, "CHUNK_PEOPLE", 1)
    run, _ = replanning.open_run(site=site, as_of=today, at=timezone.now(), everyone=False, refit=False)
    assert run.chunks.count() == PEOPLE
    with (
        lost() as (redis, url, lose, find_again),
        worker_process(tmp_path / "worker.log", redis_url=url, at_once=1),
    ):
        nightly_start(redis)
        wait_until(lambda: Suggestion.objects.exists())
        lose()  # what the first start handed over is gone with it
        wait_until(lambda: ReplanRun.objects.filter(pk=run.pk).exclude(finished_at=None).exists())
        first = made()
        assert len(first) == PEOPLE == StoredForecast.objects.count()
        changed = Patient.objects.get(patient_ref="N03").pk
        raise_data_version([changed])
        find_again()
        nightly_start(redis)
        wait_until(lambda: ReplanRun.objects.exclude(finished_at=None).count() == 2)
    assert set(run.chunks.values_list("attempt", flat=True)) == {1}
    second = made()
    assert {key for key in second if second[key] != first[key]} == {changed}
    assert second[changed][0] == first[changed][0] + 1


@pytest.fixture
def swallowing() -> Iterator[str]:
    """The address of a Redis behind a network that takes everything and answers nothing."""
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen(50)
        yield f"redis://127.0.0.1:{silent.getsockname()[1]}/0"


def anything() -> None:
    raise AssertionError("it was handed over, not done here")


def test_a_network_that_swallows_everything_does_not_hold_a_page_for_ever(swallowing, caplog):
    app = Celery("swallowed", broker=swallowing, set_as_current=False)
    options = dict(settings.CELERY_BROKER_TRANSPORT_OPTIONS)
    assert 0 < options["socket_timeout"] <= 10  # seconds; without it this would never end
    app.conf.broker_transport_options = options | {"socket_timeout": 0.2}
    assert hand_over(app.task(name="anything")(anything)) is False
    assert "anything could not be handed over" in caplog.text
