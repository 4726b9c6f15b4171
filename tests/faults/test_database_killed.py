"""PostgreSQL killed by signal 9 at any moment under writers: what was answered is there once, and the trail whole."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.moments import random_moments
from tests.servers import PrivatePostgres

pytestmark = pytest.mark.redis  # among the slow ones with servers of their own
ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 120.0
BEFORE = """
from django.utils import timezone
from datetime import date
from tests import factories
site = factories.make_site()
factories.make_user(role="nurse", site=site, username="writes")
for ref in ("W0", "W1"):
    factories.make_patient(ref, site=site, with_measure=False)
"""
AFTER = """
import json
from patients.models import BodyMeasure, Patient
from programme.core import trail
from programme.core.models import Receipt, TrailEntry
print(json.dumps({
    "weights": sorted(BodyMeasure.objects.values_list("patient__patient_ref", "weight_kg")),
    "receipts": Receipt.objects.exclude(outcome="").count(),
    "unanswered": Receipt.objects.filter(outcome="").count(),
    "entries": TrailEntry.objects.filter(action="record measure").count(),
    "faults": [str(fault) for fault in trail.faults(TrailEntry.objects.all())],
    "versions": sorted(Patient.objects.values_list("patient_ref", "data_version")),
}))
"""


@pytest.fixture
def server() -> Iterator[PrivatePostgres]:
    """A server that answers a commit only once the operating system has it, with an empty programme."""
    with PrivatePostgres(synchronous_commit=True) as server:
        manage(server, "migrate", "--verbosity", "0")
        manage(server, "shell", "-v", "0", "-c", BEFORE)
        yield server


def manage(server: PrivatePostgres, *arguments: str) -> str:
    environment = {**os.environ, "DATABASE_URL": server.url, "REDIS_URL": ""}
    done = subprocess.run(
        [sys.executable, "manage.py", *arguments], cwd=ROOT, env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


class Writer:
    """A process that writes, and how many of its writes were answered so far."""

    def __init__(self, server: PrivatePostgres, name: str, count: int) -> None:
        environment = {**os.environ, "DATABASE_URL": server.url, "REDIS_URL": ""}
        command = [sys.executable, "-m", "tests.faults.writer", name, str(count)]
        self.process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True)
        self.answered: list[int] = []
        self.reading = threading.Thread(target=self._read, daemon=True)
        self.reading.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.answered.append(int(line))
        self.process.stdout.close()

    def end(self) -> None:
        assert self.process.wait(PATIENCE_S) == 0, "it gave up before everything was answered"
        self.reading.join(PATIENCE_S)


def killed_under_writers(server: PrivatePostgres, *, kills: int, count: int) -> None:
    writers = [Writer(server, name, count) for name in ("W0", "W1")]
    give_up = time.monotonic() + PATIENCE_S
    for answers, later_s in random_moments(kills, of=2 * count):
        while sum(len(one.answered) for one in writers) < answers:
            assert time.monotonic() < give_up, "the writers do not get on"
            time.sleep(0.005)
        time.sleep(later_s)
        server.kill()
        server.start()
    for one in writers:
        one.end()
        assert one.answered == list(range(count))
    found = json.loads(manage(server, "shell", "-v", "0", "-c", AFTER))
    wanted = [[name, 40.0 + number / 10.0] for name in ("W0", "W1") for number in range(count)]
    assert found["weights"] == wanted  # every one that was answered, once, and nothing beside it
    assert (found["receipts"], found["unanswered"], found["entries"]) == (2 * count, 0, 2 * count)
    assert found["faults"] == []
    assert len({version for _, version in found["versions"]}) == 1  # raised once for each weight of either


def test_what_was_answered_is_there_once_after_the_database_was_killed(server: PrivatePostgres) -> None:
    killed_under_writers(server, kills=2, count=60)


@pytest.mark.soak
def test_the_same_with_a_dozen_kills(server: PrivatePostgres) -> None:
    killed_under_writers(server, kills=12, count=300)
