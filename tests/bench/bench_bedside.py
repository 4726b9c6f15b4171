"""Every action at the bedside against a bare write of one row, committed on the same database file.

Both wait for the disk as the settings say (SQLite: WAL, synchronous FULL). The bare write commits once, and so does
every action. An action is its whole request as the web server's own entry answers it: middleware, sign-in, view, the
answer, the end of the request; no network. Beside it stands what such a request costs at the least: a signed-in view
that writes one row and does nothing else. In each round one session of a usual size is run through all actions in turn,
so that a busy moment of the machine meets all of them. The check of a unit is made by two people at their own tablets:
a PIN is slow to test on purpose.
"""

from __future__ import annotations

import json
import secrets
import statistics
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode

import time_machine
from django.conf import settings
from django.core.handlers.wsgi import WSGIHandler
from django.db import connection, transaction
from django.test import Client, RequestFactory, override_settings
from django.urls import reverse

from patients.models import CrossmatchSample
from programme.core.models import Receipt, User
from programme.core.receipts import new_key
from sessions.day.models import Entry
from sessions.day.services.entering import add_entry
from sessions.models import DonationUnit, ExchangeSession, UnitState
from tests.factories import NOW, make_entry, make_needs, make_patient, make_running, make_site, make_unit, make_user

ROUNDS = 150
ENTRIES_BEFORE = 20
AIM = 5
BARE, VIEW = "bare write", "bare view: signed in, one row"
SYNCHRONOUS = {0: "OFF", 1: "NORMAL", 2: "FULL", 3: "EXTRA"}
STEPS = [  # so many draws as a session has; a tenth is left after the entries before
    {"number": 1, "fluid": "saline", "units": [], "in_ml": 2600, "out_ml": 2600, "draws": [260] * 10},
    {"number": 2, "fluid": "red_cells", "units": [1], "in_ml": 258, "out_ml": 258, "draws": [258]},
]


def run(scale: float) -> list[str]:
    rounds = max(round(scale * ROUNDS), 30)
    took: dict[str, list[float]] = defaultdict(list)
    with (
        override_settings(ROOT_URLCONF="tests.bench._bare_view"),
        time_machine.travel(NOW, tick=True),
    ):  # the clock by which times are taken runs on by itself
        site = make_site()
        signer = make_user(site=site, role="consultant")
        people = [make_user(site=site), make_user(site=site, username="second.nurse")]
        server = WSGIHandler()
        tablets = [Tablet(server, person) for person in people]
        one_round(
            Round(make_chair(site, signer, people[0], rounds), people, tablets, defaultdict(list), rounds)
        )  # first requests
        for n in range(rounds):
            one_round(Round(make_chair(site, signer, people[0], n), people, tablets, took, n))
    bare, view = statistics.median(took[BARE]), statistics.median(took[VIEW])
    head = f"both commit once; {disk()}; {rounds} rounds of all in turn; aim {AIM} times a bare write"
    return [head, f"{'':30} times a write, a view", *(line(name, times, bare, view) for name, times in took.items())]


def line(name: str, times: list[float], bare: float, view: float) -> str:
    first, middle = 1000 * min(times), 1000 * statistics.median(times)
    last = 1000 * statistics.quantiles(times, n=100, method="inclusive")[98]
    said = f"{middle / 1000 / bare:13.1f} {middle / 1000 / view:7.1f}"
    return f"{name:30} {said}   min {first:6.2f}  median {middle:6.2f}  p99 {last:7.2f} ms"


def disk() -> str:
    if connection.vendor != "sqlite":
        return connection.vendor
    with connection.cursor() as cursor:
        mode = cursor.execute("PRAGMA journal_mode").fetchone()[0]
        level = cursor.execute("PRAGMA synchronous").fetchone()[0]
    return f"SQLite, journal {mode}, synchronous {SYNCHRONOUS[level]}"


class Tablet:
    """What a signed-in browser sends and keeps; the server is the callable that a web server calls."""

    def __init__(self, server: WSGIHandler, person: User) -> None:
        client = Client(SERVER_NAME="localhost")
        client.force_login(person)
        token = secrets.token_hex(16)
        self.server, self.cookies = server, {name: one.value for name, one in client.cookies.items()}
        self.cookies[settings.CSRF_COOKIE_NAME] = token
        self.sends = RequestFactory(SERVER_NAME="localhost", HTTP_X_CSRFTOKEN=token)

    def ask(self, address: str, body: str | None = None, kind: str = "text/plain") -> tuple[float, int, bytes]:
        """Send `body`, or look where it is None; returns how long the server was busy with it [s], status, answer."""
        kept = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        made = self.sends.generic("GET" if body is None else "POST", address, body or "", kind, HTTP_COOKIE=kept)
        head: list[str] = []
        start = time.perf_counter()
        answer = self.server(made.environ, lambda status, headers, exc_info=None: head.append(status))
        text = b"".join(answer)
        answer.close()
        return time.perf_counter() - start, int(head[0].split()[0]), text


def make_chair(site: Any, signer: User, nurse: User, n: int) -> ExchangeSession:
    """A session that runs, with a unit at the chair, a valid sample and some entries of one nurse."""
    patient = make_patient(f"R{n}", site=site)
    make_needs(patient)
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    running = make_running(patient, by=signer, steps=STEPS, units=0)
    make_unit(
        running, donation_number=number_of(n), product_code="E0336V00", abo="O", rhd="+", antigens_negative="C, E, K",
        hbs_negative=True, expires_on=date(2026, 6, 20), volume_ml=258, state=UnitState.AT_CHAIR,
        out_of_storage_at=NOW - timedelta(minutes=5),
    )  # fmt: skip
    body = {"step": 1, "in_ml": 100, "out_ml": 100, "fluid": "saline", "cells_hb_g_l": 0.0}
    for _ in range(ENTRIES_BEFORE):
        make_entry(running, "moved", body, by=nurse)
    return running


def number_of(n: int) -> str:
    return f"G123498{n:06d}"


class Round:
    """One session, the two tablets at it, and where the times go."""

    def __init__(self, running: ExchangeSession, people: list[User], tablets: list[Tablet], took: Any, n: int) -> None:
        self.running, self.people, self.tablets, self.took, self.n = running, people, tablets, took, n

    @contextmanager
    def timed(self, name: str) -> Iterator[None]:
        start = time.perf_counter()
        yield
        self.took[name].append(time.perf_counter() - start)

    def address(self, name: str, *more: int) -> str:
        return reverse(f"bedside:{name}", args=[f"R{self.n}", self.running.pk, *more])

    def ask(self, name: str, tablet: int, wanted: int, *sent: str) -> bytes:
        seconds, status, answer = self.tablets[tablet].ask(*sent)
        assert status == wanted, answer
        self.took[name].append(seconds)
        return answer

    def enter(self, name: str, kind: str, **fields: str) -> int:
        said = {"key": new_key(), "kind": kind, "by": self.people[0].pk, "seen": 0, "waited_s": 0, "fields": fields}
        answer = self.ask(name, 0, 200, self.address("enter"), json.dumps(said), "application/json")
        return int(json.loads(answer)["kept"])

    def press(self, name: str, where: str, tablet: int = 0, **sent: str) -> None:
        version = DonationUnit.objects.values_list("version", flat=True).get(exchange_session=self.running)
        place = [] if where == "reaction_stop" else [1]
        said = urlencode({"receipt": new_key(), "version": version, "to": "run", **sent})
        self.ask(name, tablet, 302, self.address(where, *place), said, "application/x-www-form-urlencoded")

    def look(self, name: str, number: int, *, same: bool) -> None:
        assert json.loads(self.ask(name, 0, 200, self.address("since", number)))["same"] is same


def one_round(one: Round) -> None:
    with one.timed(BARE):
        bare_write(one.people[0], one.n)
    one.ask(VIEW, 0, 200, "/bare/", new_key())
    with one.timed("draw, by its service alone"):
        by_service(one.running, one.people[0], one.n)
    one.enter("draw", "moved", step="1", out_ml="100")
    one.enter("infusion", "moved", step="1", in_ml="100")
    one.enter("observation", "observation", moment="other", bp_sys="118", pulse="76")
    last = one.enter("pause", "pause", words="rest")
    one.enter("undo", "undo", target=str(last))
    checked = {"asked": "on", "wristband": f"R{one.n}", "number": f"={number_of(one.n)}00"}
    one.press("unit check, first", "unit_check", **checked)
    one.press("unit check, second", "unit_check", tablet=1, **checked)
    one.press("start of the unit", "unit_start")
    one.press("end of the unit", "unit_end")
    one.press("reaction: the run stopped", "reaction_stop")
    newest = Entry.objects.filter(exchange_session=one.running).count()
    one.look("a poll that finds nothing new", newest, same=True)
    one.look("the board anew", 0, same=False)


def bare_write(nurse: User, n: int) -> None:
    with transaction.atomic():
        Receipt.objects.create(key=f"bare-{n}", actor=nurse, at=NOW, action="bare")


def by_service(running: ExchangeSession, nurse: User, n: int) -> None:
    body = {"step": 1, "in_ml": 1, "out_ml": 1}
    add_entry(exchange_session=running, key=f"s-{n}", kind="moved", body=body, actor=nurse, at=NOW)
