"""The web server killed by signal 9 under tablets, or asked to end: what was answered is there once, and the trail."""

from __future__ import annotations

import http.client
import json
import signal
import time
from contextlib import closing

import pytest
from django.db import transaction

from programme.core import trail
from programme.core.models import Receipt, TrailEntry
from sessions.day.models import Entry
from sessions.models import ExchangeSession
from tests.factories import make_patient, make_running, make_user
from tests.faults.moments import random_moments
from tests.faults.web import PATIENCE_S, Tablet, WebServer

pytestmark = pytest.mark.django_db(transaction=True)
MET_WITHIN_S = 40  # what README's service lets the web server have before it is ended by force
BUSY = 503  # the database was held for too long by others; a tablet sends again


def wait_until(holds) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < give_up, "the tablets do not get on"
        time.sleep(0.005)


def killed_under_tablets(site, log, *, kills: int, count: int) -> None:
    consultant, nurse = make_user(site=site, role="consultant"), make_user(site=site)
    chairs = [make_running(make_patient(ref, site=site), by=consultant) for ref in ("K1", "K2", "K3")]
    before = Entry.objects.count()
    with WebServer(log) as web:
        tablets = [Tablet(web, chair, nurse, count) for chair in chairs]
        for tablet in tablets:
            tablet.start()
        for answers, later_s in random_moments(kills, of=len(tablets) * count):
            wait_until(lambda answers=answers: sum(len(tablet.kept) for tablet in tablets) >= answers)
            time.sleep(later_s)
            cut_off = sum(tablet.cut_off for tablet in tablets)
            web.kill()
            wait_until(  # one whose entries were all answered before is cut off from nothing
                lambda cut_off=cut_off: (
                    sum(tablet.cut_off for tablet in tablets) > cut_off or not any(one.is_alive() for one in tablets)
                )
            )
            web.start()
        for tablet in tablets:
            tablet.join(PATIENCE_S)
    for tablet in tablets:
        assert len(tablet.kept) == count, tablet.refusals
        assert [refusal for refusal in tablet.refusals if refusal[0] != BUSY] == []
    check_each_is_there_once(chairs, tablets, before + len(tablets) * count)


def check_each_is_there_once(chairs, tablets, entries: int) -> None:
    for chair, tablet in zip(chairs, tablets, strict=True):
        moved = Entry.objects.filter(exchange_session=chair, kind="moved").order_by("number")
        assert {entry.key: entry.number for entry in moved} == tablet.kept
        numbers = Entry.objects.filter(exchange_session=chair).order_by("number").values_list("number", flat=True)
        assert list(numbers) == list(range(1, len(numbers) + 1))
    assert Entry.objects.count() == entries
    assert not Receipt.objects.filter(outcome="").exists()
    assert trail.faults(TrailEntry.objects.all()) == []


def test_what_was_answered_is_there_once_after_the_web_server_was_killed(site, tmp_path):
    killed_under_tablets(site, tmp_path / "web.log", kills=1, count=30)


def test_a_web_server_asked_to_end_first_gives_the_answer_it_is_working_on(site, tmp_path):
    chair = make_running(make_patient("K1", site=site), by=make_user(site=site, role="consultant"))
    tablet = Tablet(web := WebServer(tmp_path / "web.log"), chair, make_user(site=site), count=1)
    with web, closing(http.client.HTTPConnection("127.0.0.1", web.port, timeout=PATIENCE_S)) as asked:
        with transaction.atomic():  # holds the session, so that the entry waits in the middle of being kept
            ExchangeSession.objects.filter(pk=chair.pk).update(version=chair.version)
            asked.request("POST", tablet.address, tablet.said("K1-0"), tablet.headers)
            time.sleep(1)
            web.process.send_signal(signal.SIGTERM)
            time.sleep(1)
            assert web.process.poll() is None
            assert not Entry.objects.filter(kind="moved").exists()
        answer = asked.getresponse()
        assert (answer.status, json.load(answer)["kept"]) == (200, Entry.objects.get(kind="moved").number)
        assert web.process.wait(MET_WITHIN_S) == 0
    assert trail.faults(TrailEntry.objects.all()) == []


@pytest.mark.soak
def test_the_same_with_a_dozen_kills_of_the_web_server(site, tmp_path):
    killed_under_tablets(site, tmp_path / "web.log", kills=12, count=400)
