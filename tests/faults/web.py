"""A web server of its own, as in production, on the database of this test run; and tablets that send until answered."""

from __future__ import annotations

import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from contextlib import suppress
from pathlib import Path

from django.conf import settings
from django.urls import reverse

from programme.core.models import User
from sessions.models import ExchangeSession
from tests.conftest import client_of, url_of_test_database

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 120.0
OPTIONS = ("--interface", "wsgi", "--host", "127.0.0.1", "--workers", "2", "--no-ws")


def a_free_port() -> int:
    """Return a port outside of those the system hands out by itself, so that nobody takes it during a restart."""
    while True:
        port = random.randrange(20_000, 32_000)
        with socket.socket() as tried, suppress(OSError):
            tried.bind(("127.0.0.1", port))
            return port


class WebServer:
    """granian with two workers on a port of its own, as long as the block around it runs."""

    def __init__(self, log: Path, *, threads: str = "2", **environment: str) -> None:
        self.log, self.threads, self.environment = log, threads, environment
        self.port = a_free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> WebServer:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def start(self) -> None:
        environment = {**os.environ, "DATABASE_URL": url_of_test_database(), "REDIS_URL": "", **self.environment}
        command = [sys.executable, "-m", "granian", *OPTIONS, "--blocking-threads", self.threads]
        command += ["--port", str(self.port), "programme.wsgi:application"]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command, cwd=ROOT, env=environment, stdout=log, stderr=log, start_new_session=True
            )
        self._wait_until_it_answers()

    def kill(self) -> None:
        """End it and its workers by signal 9, at whatever they are."""
        assert self.process is not None
        with suppress(ProcessLookupError):  # it has ended by itself
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(PATIENCE_S)

    def _wait_until_it_answers(self) -> None:
        assert self.process is not None
        give_up = time.monotonic() + PATIENCE_S
        while time.monotonic() < give_up and self.process.poll() is None:
            try:
                with urllib.request.urlopen(f"{self.url}/health/", timeout=PATIENCE_S):
                    return
            except OSError:
                time.sleep(0.05)
        raise AssertionError(f"the web server does not answer\n{self.log.read_text()}")


class Tablet(threading.Thread):
    """Sends so many draws of one session, one after another, each again under its key until it is answered."""

    def __init__(self, web: WebServer, exchange_session: ExchangeSession, nurse: User, count: int) -> None:
        super().__init__(daemon=True)
        self.nurse, self.count = nurse, count
        ref = exchange_session.patient.patient_ref
        self.name, self.address = ref, web.url + reverse("bedside:enter", args=[ref, exchange_session.pk])
        client = client_of(nurse)
        client.get(reverse("bedside:run", args=[ref, exchange_session.pk]))
        cookies = {
            name: client.cookies[name].value for name in (settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME)
        }
        self.headers = {
            "Cookie": "; ".join(f"{name}={value}" for name, value in cookies.items()),
            "X-CSRFToken": cookies[settings.CSRF_COOKIE_NAME],
            "Content-Type": "application/json",
        }
        self.kept: dict[str, int] = {}
        self.refusals: list[tuple[int, str]] = []
        self.cut_off = 0

    def run(self) -> None:
        give_up = time.monotonic() + PATIENCE_S
        for number in range(self.count):
            key = f"{self.name}-{number}"
            while key not in self.kept and time.monotonic() < give_up:
                self.send(key)

    def said(self, key: str) -> bytes:
        """What one entry is sent as."""
        fields = {"step": "1", "out_ml": "1"}
        said = {"key": key, "kind": "moved", "by": self.nurse.pk, "seen": 2, "waited_s": 0, "fields": fields}
        return json.dumps(said).encode()

    def send(self, key: str) -> None:
        """Send one entry; what is not answered with 200 is not kept here."""
        asked = urllib.request.Request(self.address, self.said(key), self.headers, method="POST")
        try:
            with urllib.request.urlopen(asked, timeout=PATIENCE_S) as answer:
                self.kept[key] = json.load(answer)["kept"]
        except urllib.error.HTTPError as refusal:
            self.refusals.append((refusal.code, refusal.read().decode()))
            time.sleep(0.05)
        except (OSError, ValueError, http.client.HTTPException):  # at whatever place
            self.cut_off += 1
            time.sleep(0.05)
