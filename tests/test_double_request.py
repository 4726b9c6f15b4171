"""One form sent several times at the same moment, over real connections to a real server, on both databases."""

import re
import threading
import urllib.parse
import urllib.request
from html import unescape

import pytest
from django.conf import settings
from django.test import Client

from programme.core.models import TrailEntry
from tests import factories
from tests.at_once import at_once
from tests.conftest import client_of

pytestmark = pytest.mark.django_db(transaction=True)


def hidden_fields(page):
    """The hidden fields of the page's form, as a browser would send them."""
    inputs = re.findall(r"<input[^>]*type=\"hidden\"[^>]*>", page)
    pairs = [(re.search(r'name="([^"]+)"', one), re.search(r'value="([^"]*)"', one)) for one in inputs]
    return {name.group(1): unescape(value.group(1)) if value else "" for name, value in pairs}


def shown_values(form):
    """What a browser would send of a form that nobody typed into."""
    values = {name: form[name].value() for name in form.fields}
    return {name: str(value) for name, value in values.items() if value not in (None, "", False)}


def test_two_who_change_one_row_at_once_are_one_saved_and_one_told(nurse, consultant):
    """Whoever comes second loses nothing of what they typed, and sees what the other has saved."""
    patient = factories.make_patient(site=nurse.site, given_name="Ada")
    path = f"/people/{patient.patient_ref}/person/"

    asked = []
    for user, name in ((nurse, "Theirs"), (consultant, "Mine")):
        client = client_of(user)
        page = client.get(path)
        body = {**hidden_fields(page.text), **shown_values(page.context["page"].forms[0]), "given_name": name}
        asked.append((client, path, body))
    answers, _ = at_once(Client.post, asked)
    patient.refresh_from_db()
    (told,) = [answer for answer in answers if answer.status_code != 302]  # the other was saved and led on
    assert patient.given_name in ("Theirs", "Mine")
    assert "Theirs" in told.text and "Mine" in told.text
    changes = TrailEntry.objects.filter(patient_key=patient.pk, action="change person")
    assert changes.count() == 1


def test_one_form_sent_four_times_at_once_makes_one_row(live_server, nurse):
    patient = factories.make_patient(site=nurse.site, with_measure=False)
    factories.make_facts(factories.make_course(patient)[-1])
    client = client_of(nurse)
    address = f"{live_server.url}/people/{patient.patient_ref}/measure/"
    page = client.get(f"/people/{patient.patient_ref}/measure/").content.decode()
    body = urllib.parse.urlencode({**hidden_fields(page), "on": "2026-05-04", "weight_kg": "61.5", "height_cm": "165"})
    names = (settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME)
    cookies = "; ".join(f"{name}={client.cookies[name].value}" for name in names)
    together, answers = threading.Barrier(4, timeout=20), []

    def send():
        request = urllib.request.Request(address, data=body.encode(), headers={"Cookie": cookies}, method="POST")
        together.wait()
        with urllib.request.urlopen(request, timeout=60) as answer:
            answers.append((answer.status, answer.url))

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=90)
    assert len(answers) == 4
    assert len(set(answers)) == 1
    assert [measure.weight_kg for measure in patient.measures.all()] == [61.5]
