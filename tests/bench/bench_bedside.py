"""One action at the bedside against a bare write of one row, committed on the same database file.

Both wait for the disk as the settings say (SQLite: WAL, synchronous FULL); a bedside action commits once. The whole
request goes through every middleware, the sign-in and the view; it does not go over a network.
"""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Callable

from django.db import connection, transaction
from django.test import Client
from django.urls import reverse

from programme.core.models import Receipt
from sessions.day.models import Entry
from sessions.day.services.entering import add_entry
from sessions.models import ExchangeSession
from tests.factories import NOW, make_patient, make_running, make_site, make_user

ACTIONS = 300
SYNCHRONOUS = {0: "OFF", 1: "NORMAL", 2: "FULL", 3: "EXTRA"}


def run(scale: float) -> list[str]:
    actions = max(round(scale * ACTIONS), 30)
    site = make_site()
    signer, nurse = make_user(site=site, role="consultant"), make_user(site=site)
    steps = [{"number": 1, "fluid": "saline", "units": [], "in_ml": 90000, "out_ml": 90000, "draws": []}]
    running = make_running(make_patient("R1", site=site), by=signer, steps=steps)
    client = Client(raise_request_exception=True, SERVER_NAME="localhost")
    client.force_login(nurse)
    ways: dict[str, Callable[[int], None]] = {
        "bare": lambda n: bare_write(nurse, n),
        "service": lambda n: by_service(running, nurse, n),
        "request": lambda n: by_request(client, running, nurse, n),
        "poll": lambda n: poll(client, running),
        "board": lambda n: board(client, running),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    for n in range(actions):  # in turn, so that a busy moment of the machine meets all of them
        for name, way in ways.items():
            start = time.perf_counter()
            way(n)
            took[name].append(time.perf_counter() - start)
    middle = {name: statistics.median(times) for name, times in took.items()}
    bare = middle["bare"]
    return [
        f"bare write of one row, committed: {1000 * bare:.2f} ms ({disk()}), median of {actions}",
        f"an entry by the service: {middle['service'] / bare:.1f} times, aim 5 ({1000 * middle['service']:.1f} ms)",
        f"an entry by a whole request: {middle['request'] / bare:.1f} times ({1000 * middle['request']:.1f} ms)",
        f"a poll that finds nothing new: {middle['poll'] / bare:.1f} times ({1000 * middle['poll']:.1f} ms)",
        f"the board anew after {2 * actions} entries: {1000 * statistics.median(took['board'][-10:]):.0f} ms",
    ]


def disk() -> str:
    if connection.vendor != "sqlite":
        return connection.vendor
    with connection.cursor() as cursor:
        mode = cursor.execute("PRAGMA journal_mode").fetchone()[0]
        level = cursor.execute("PRAGMA synchronous").fetchone()[0]
    return f"SQLite, journal {mode}, synchronous {SYNCHRONOUS[level]}"


def bare_write(nurse: object, n: int) -> None:
    with transaction.atomic():
        Receipt.objects.create(key=f"bare-{n}", actor=nurse, at=NOW, action="bare")


def by_service(running: ExchangeSession, nurse: object, n: int) -> None:
    body = {"step": 1, "in_ml": 1, "out_ml": 1}
    add_entry(exchange_session=running, key=f"s-{n}", kind="moved", body=body, actor=nurse, at=NOW)


def address(name: str, running: ExchangeSession, *more: int) -> str:
    return reverse(f"bedside:{name}", args=["R1", running.pk, *more])


def by_request(client: Client, running: ExchangeSession, nurse: object, n: int) -> None:
    fields = {"step": "1", "in_ml": "1", "out_ml": "1"}
    said = {"key": f"r-{n}", "kind": "moved", "by": nurse.pk, "seen": 0, "waited_s": 0, "fields": fields}
    answer = client.post(address("enter", running), json.dumps(said), content_type="application/json")
    assert answer.status_code == 200, answer.content


def poll(client: Client, running: ExchangeSession) -> None:
    last = Entry.objects.filter(exchange_session=running).count()
    assert client.get(address("since", running, last)).json()["same"]


def board(client: Client, running: ExchangeSession) -> None:
    assert "html" in client.get(address("since", running, 0)).json()
