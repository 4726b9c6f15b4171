"""A burst of messages with the listener killed in between: whatever was answered is stored, exactly once."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone

from patients.models import LabResult
from programme.intake.models import Became, InboxItem, RawMessage, Reading, ReadingState, ReadResult
from programme.intake.numeric.mllp import END, framed
from programme.intake.services.reading import LEASE, read_all
from tests import factories
from tests.conftest import url_of_test_database
from tests.faults.moments import random_moments

pytestmark = pytest.mark.django_db(transaction=True)
ROOT = Path(__file__).resolve().parents[3]
PATIENCE = 90
SENDERS = 3
ONE_IN = 60
"""One in so many messages is of somebody known here, and is filed; planning anew after each takes most of the time."""


class ListenerProcess:
    """The real command in a process of its own, on the database of this test run."""

    def __init__(self, log: Path, *, redis_url: str = "") -> None:
        self.log, self.redis_url = log, redis_url
        self.port = 0
        self.started: subprocess.Popen[bytes] | None = None
        self.times = 0

    def start(self) -> None:
        self.times += 1
        environment = {**os.environ, "DATABASE_URL": url_of_test_database(), "REDIS_URL": self.redis_url}
        command = [sys.executable, "manage.py", "listen_results", "--port", "0"]
        with self.log.open("ab") as log:
            self.started = subprocess.Popen(command, cwd=ROOT, env=environment, stderr=log)
        wait_for(lambda: len(self._ports()) >= self.times, self.log)
        self.port = int(self._ports()[-1])

    def kill(self) -> None:
        self.port = 0
        self.started.kill()
        self.started.wait(PATIENCE)

    def end(self) -> int:
        self.started.terminate()
        return self.started.wait(PATIENCE)

    def _ports(self) -> list[str]:
        text = self.log.read_text() if self.log.exists() else ""
        return re.findall(r"Listening for results on 127\.0\.0\.1:(\d+)\.", text)


@pytest.fixture
def listener(transactional_db, site, tmp_path):
    process = ListenerProcess(tmp_path / "listener.log")
    process.start()
    yield process
    if process.started.poll() is None:
        process.kill()


def wait_for(found, log=None, patience=PATIENCE):
    give_up = time.monotonic() + patience
    while not found():
        if time.monotonic() > give_up:
            pytest.fail(f"nothing came of it within {patience} s\n{log.read_text() if log else ''}")
        time.sleep(0.01)


def ferritin(number: int) -> bytes:
    """One result, with a sample time and a filler number of its own; now and then of somebody known."""
    minutes, value = divmod(number, 60), 400 + number % 500
    reference = "Z999" if number % ONE_IN else "R001"
    return (
        f"MSH|^~\\&|LAB|HOSP|EBB|UNIT|20260601083000||ORU^R01|M{number}|P|2.5.1\r"
        f"PID|1||{reference}^^^UNIT^MR||||19940314\r"
        f"OBR|1||F{number}|FER|||202605{1 + minutes[0] // 24 % 28:02}{minutes[0] % 24:02}{minutes[1]:02}\r"
        f"OBX|1|NM|2276-4^Ferritin^LN||{value}|ug/L|||||F\r"
    ).encode()


class Sender(threading.Thread):
    """Sends its messages one after another, each again until it is answered; notes which were."""

    def __init__(self, listener: ListenerProcess, numbers: range) -> None:
        super().__init__(daemon=True)
        self.listener, self.numbers = listener, numbers
        self.answered: list[str] = []
        self.sent = 0
        self.line: socket.socket | None = None

    def run(self) -> None:
        for number in self.numbers:
            while not self._answered(ferritin(number), f"MSA|AA|M{number}\r"):
                time.sleep(0.02)
            self.answered.append(f"M{number}")
        if self.line is not None:
            self.line.close()

    def _answered(self, message: bytes, wanted: str) -> bool:
        try:
            if self.line is None:
                self.line = socket.create_connection(("127.0.0.1", self.listener.port), timeout=PATIENCE)
            self.sent += 1
            self.line.sendall(framed(message))
            answer = b""
            while not answer.endswith(END):
                piece = self.line.recv(4096)
                if not piece:
                    raise ConnectionError
                answer += piece
            return wanted in answer.decode()
        except OSError:
            if self.line is not None:
                self.line.close()
            self.line = None
            return False


def burst(listener: ListenerProcess, messages: int, kills: int, patience: float) -> list[Sender]:
    """Send so many messages over several lines, killing the listener by signal 9 now and then."""
    senders = [Sender(listener, range(start, messages, SENDERS)) for start in range(SENDERS)]
    for sender in senders:
        sender.start()
    for answers, later_s in random_moments(kills, of=messages):
        wait_for(lambda answers=answers: sum(len(one.answered) for one in senders) >= answers, listener.log, patience)
        time.sleep(later_s)
        listener.kill()
        listener.start()
    for sender in senders:
        sender.join(patience)
    return senders


def check_each_is_stored_once(senders: list[Sender], messages: int) -> None:
    answered = Counter(one for sender in senders for one in sender.answered)
    assert len(answered) == messages and set(answered.values()) == {1}
    assert sum(sender.sent for sender in senders) > messages  # some went unanswered, and were sent again
    kept = Counter(RawMessage.objects.values_list("message_id", flat=True))
    assert kept == answered
    assert Reading.objects.count() == messages


def check_each_is_read_once(messages: int) -> None:
    read_all(clock=lambda: timezone.now() + LEASE + timedelta(seconds=1), at_most=messages)
    known = len(range(0, messages, ONE_IN))
    assert Reading.objects.filter(state=ReadingState.READ).count() == messages
    became = Counter(ReadResult.objects.values_list("became", flat=True))
    assert became == {Became.FILED: known, Became.WAITS: messages - known}
    assert LabResult.objects.in_force().count() == LabResult.objects.count() == known
    assert InboxItem.objects.count() == messages - known


def test_a_burst_with_the_listener_killed_in_between(listener, site):
    factories.make_patient("R001", site=site)
    senders = burst(listener, 300, kills=1, patience=PATIENCE)
    assert listener.end() == 0
    check_each_is_stored_once(senders, 300)
    check_each_is_read_once(300)
