"""Fifty nurses at once at the bedside: errors, and the slowest in a hundred answers against the middle one.

At full size ten minutes' worth of what fifty tablets ask (a look every 3 s, an entry every 15 s), over real connections
to a real web server (granian, two processes of four threads) that shares the machine with the tablets. Each tablet asks
again as soon as it was answered, so all fifty wait at the same time: harder than the ten minutes themselves, in which
they would ask twenty times a second. `python -m tests.servers postgres -- python -m tests.bench --here bench_nurses`
measures it on PostgreSQL.
"""

from __future__ import annotations

import http.client
import json
import secrets
import statistics
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

from django.conf import settings
from django.test import Client
from django.urls import reverse

from programme.core import trail
from programme.core.models import TrailEntry, User
from sessions.day.models import Entry
from sessions.models import ExchangeSession
from tests.factories import make_patient, make_running, make_site, make_user
from tests.faults.web import PATIENCE_S, WebServer

NURSES, MINUTES, LOOK_EVERY_S, ENTRY_EVERY_S = 50, 10, 3, 15
THREADS = "4"


def run(scale: float) -> list[str]:
    entries = max(round(scale * MINUTES * 60 / ENTRY_EVERY_S), 2)
    site = make_site()
    signer = make_user(site=site, role="consultant", username="signs")
    tablets = []
    with tempfile.TemporaryDirectory() as folder, WebServer(Path(folder) / "web.log", threads=THREADS) as web:
        for number in range(NURSES):
            running = make_running(make_patient(f"N{number:02d}", site=site), by=signer)
            nurse = make_user(site=site, username=f"nurse{number}")
            tablets.append(Tablet(web.port, running, nurse, entries))
        for tablet in tablets:
            tablet.begin()
        before = Entry.objects.count()
        start = time.monotonic()
        for tablet in tablets:
            tablet.start()
        for tablet in tablets:
            tablet.join()
        seconds = time.monotonic() - start
    wrong = [fault for tablet in tablets for fault in tablet.faults]
    kept = Entry.objects.count() - before
    assert kept + len(wrong) >= NURSES * entries, f"{kept} of {NURSES * entries} entries are there"
    assert trail.faults(TrailEntry.objects.all()) == []
    return said(tablets, seconds, wrong, kept)


def said(tablets: list[Tablet], seconds: float, wrong: list[str], kept: int) -> list[str]:
    count = sum(len(times) for tablet in tablets for times in tablet.took.values())
    asked = NURSES * (1 / LOOK_EVERY_S + 1 / ENTRY_EVERY_S)
    lines = [
        f"{NURSES} nurses, {count} answers, {kept} entries kept, errors {len(wrong)} {wrong[:3] or ''}",
        f"{count / seconds:.0f} answers a second, {count / seconds / asked:.1f} times what {NURSES} tablets ask",
    ]
    for name in ("entry", "look"):
        times = sorted(second for tablet in tablets for second in tablet.took[name])
        middle, last = statistics.median(times), times[int(0.99 * (len(times) - 1))]
        lines.append(
            f"{name:6} median {1000 * middle:7.1f} ms, 99 in 100 within {1000 * last:7.1f} ms: "
            f"{last / middle:.1f} times; longest {1000 * times[-1]:.1f} ms"
        )
    return lines


class Tablet(threading.Thread):
    """Looks and enters in turn on one connection, as many of each as its minutes hold; notes what each took."""

    def __init__(self, port: int, running: ExchangeSession, nurse: User, entries: int) -> None:
        super().__init__(daemon=True)
        self.nurse, self.entries = nurse, entries
        place = [running.patient.patient_ref, running.pk]
        self.enter = reverse("bedside:enter", args=place)
        self.newest = Entry.objects.filter(exchange_session=running).count()
        self.since = reverse("bedside:since", args=[*place, 0]).removesuffix("0/")
        client, token = Client(SERVER_NAME="localhost"), secrets.token_hex(16)
        client.force_login(nurse)
        key = client.cookies[settings.SESSION_COOKIE_NAME].value
        self.headers = {
            "Cookie": f"{settings.SESSION_COOKIE_NAME}={key}; {settings.CSRF_COOKIE_NAME}={token}",
            "X-CSRFToken": token,
            "Content-Type": "application/json",
        }
        self.line = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        self.took: dict[str, list[float]] = defaultdict(list)
        self.faults: list[str] = []

    def begin(self) -> None:
        """Ask once alone, so that what a server process does only once is not measured."""
        self.look_and_enter(looks=1, out_ml="5")
        self.took.clear()

    def run(self) -> None:
        for number in range(self.entries):
            way = "in_ml" if number % 2 == 0 else "out_ml"
            self.look_and_enter(looks=ENTRY_EVERY_S // LOOK_EVERY_S, **{way: "5"})
        self.line.close()

    def look_and_enter(self, *, looks: int, **volume: str) -> None:
        for _ in range(looks):
            self.ask("look", "GET", f"{self.since}{self.newest}/")
        said = {
            "key": secrets.token_urlsafe(24), "kind": "moved", "by": self.nurse.pk, "seen": self.newest,
            "waited_s": 0, "fields": {"step": "1", **volume},
        }  # fmt: skip
        self.newest = self.ask("entry", "POST", self.enter, json.dumps(said)).get("kept", self.newest)

    def ask(self, name: str, how: str, address: str, body: str | None = None) -> dict[str, int]:
        start = time.perf_counter()
        try:
            self.line.request(how, address, body, self.headers)
            answer = self.line.getresponse()
            text = answer.read().decode()
        except (OSError, http.client.HTTPException) as fault:
            self.faults.append(f"{name}: {fault!r}")
            self.line.close()
            return {}
        self.took[name].append(time.perf_counter() - start)
        if answer.status != 200:
            self.faults.append(f"{name}: {answer.status} {text[:200]}")
            return {}
        found: dict[str, int] = json.loads(text)
        return found
