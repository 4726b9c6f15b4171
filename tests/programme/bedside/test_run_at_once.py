"""Entries sent at the same moment over real connections to a real server, on both databases."""

import json
import threading
import urllib.request

import pytest
from django.conf import settings
from django.urls import reverse

from sessions.day.models import Entry
from tests.conftest import client_of
from tests.factories import make_patient, make_running, make_user

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def running(site):
    return make_running(make_patient("R7", site=site), by=make_user(site=site, role="consultant"))


def send_together(live_server, running, nurse, keys):
    """Send an entry for each key at once; return the answers."""
    client = client_of(nurse)
    client.get(reverse("bedside:run", args=["R7", running.pk]))
    names = (settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME)
    headers = {
        "Cookie": "; ".join(f"{name}={client.cookies[name].value}" for name in names),
        "X-CSRFToken": client.cookies[settings.CSRF_COOKIE_NAME].value,
        "Content-Type": "application/json",
    }
    address = live_server.url + reverse("bedside:enter", args=["R7", running.pk])
    together, answers = threading.Barrier(len(keys), timeout=20), []

    def send(key):
        fields = {"step": "1", "out_ml": "50"}
        said = {"key": key, "kind": "moved", "by": nurse.pk, "seen": 2, "waited_s": 0, "fields": fields}
        request = urllib.request.Request(address, data=json.dumps(said).encode(), headers=headers, method="POST")
        together.wait()
        with urllib.request.urlopen(request, timeout=60) as answer:
            answers.append(json.load(answer)["kept"])

    threads = [threading.Thread(target=send, args=(key,)) for key in keys]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=90)
    return answers


def test_one_key_sent_four_times_at_once_makes_one_entry(live_server, running, nurse):
    assert send_together(live_server, running, nurse, ["same"] * 4) == [3] * 4
    assert Entry.objects.filter(kind="moved").count() == 1


def test_four_entries_at_once_are_all_kept_and_numbered_without_a_gap(live_server, running, nurse):
    assert sorted(send_together(live_server, running, nurse, ["a", "b", "c", "d"])) == [3, 4, 5, 6]
    assert Entry.objects.filter(kind="moved").count() == 4
