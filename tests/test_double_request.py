"""One form sent several times at the same moment, over real connections to a real server, on both databases."""

import re
import threading
import urllib.parse
import urllib.request
from html import unescape

import pytest
from django.conf import settings

from tests import factories
from tests.conftest import client_of

pytestmark = pytest.mark.django_db(transaction=True)


def hidden_fields(page):
    """The hidden fields of the page's form, as a browser would send them."""
    inputs = re.findall(r"<input[^>]*type=\"hidden\"[^>]*>", page)
    pairs = [(re.search(r'name="([^"]+)"', one), re.search(r'value="([^"]*)"', one)) for one in inputs]
    return {name.group(1): unescape(value.group(1)) if value else "" for name, value in pairs}


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
