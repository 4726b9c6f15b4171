"""One form sent several times at the same moment, over real connections to a real server, on both databases."""

import re
import threading
import urllib.parse
import urllib.request
from html import unescape

import pytest
from django.conf import settings
from django.test import Client

from patients.models import Patient
from programme.core.models import TrailEntry
from tests import factories
from tests.at_once import at_once
from tests.conftest import client_of
from tests.forms import opened

pytestmark = pytest.mark.django_db(transaction=True)


def hidden_fields(page):
    """The hidden fields of the page's form, as a browser would send them."""
    inputs = re.findall(r"<input[^>]*type=\"hidden\"[^>]*>", page)
    pairs = [(re.search(r'name="([^"]+)"', one), re.search(r'value="([^"]*)"', one)) for one in inputs]
    return {name.group(1): unescape(value.group(1)) if value else "" for name, value in pairs}


ROWS = {
    "person": ("given_name", "Theirs", "Mine", lambda patient: patient.given_name),
    "needs": ("other", "Theirs", "Mine", lambda patient: patient.needs.other),
    "first needs": ("other", "Theirs", "Mine", lambda patient: patient.needs.other),
    "goals": ("hbs_ceiling_pct", "28", "32", lambda patient: f"{patient.goals.latest('pk').hbs_ceiling_pct:g}"),
    "decision": ("hbs_ceiling_pct", "28", "32", lambda patient: f"{patient.goals.latest('pk').hbs_ceiling_pct:g}"),
}
PAGES = {"person": "person", "needs": "blood", "first needs": "blood", "goals": "goals", "decision": "decide"}
ACTIONS = {
    "person": "change person", "needs": "set needs", "first needs": "set needs", "goals": "set goals",
    "decision": "set goals",
}  # fmt: skip


@pytest.mark.parametrize("row", ROWS)
def test_two_who_change_one_row_at_once_are_one_saved_and_one_told(row, consultant):
    """Whoever comes second loses nothing of what they typed, and sees what the other has saved."""
    colleague = factories.make_user(role="consultant", site=consultant.site, username="colleague")
    patient = factories.make_patient(site=consultant.site, given_name="Ada")
    if row != "first needs":
        factories.make_needs(patient)
    path = f"/people/{patient.patient_ref}/{PAGES[row]}/"
    field, theirs, mine, stored = ROWS[row]

    asked = []
    for user, value in ((colleague, theirs), (consultant, mine)):
        client = client_of(user)
        body = {**opened(client, path), field: value}
        if ACTIONS[row] == "set goals":  # saved only after what it would do was seen
            body |= {"review_on": "1 Sep 2099", "reason": f"as {user.username} sees it"}
            body["seen"] = client.post(path, body).context["page"].extra["effect"].token
        asked.append((client, path, body))
    answers, _ = at_once(Client.post, asked)
    patient = Patient.objects.get(pk=patient.pk)
    (told,) = [answer for answer in answers if answer.status_code != 302]  # the other was saved and led on
    assert stored(patient) in (theirs, mine)
    differences = {(shown.now, shown.yours) for shown in told.context["page"].differences}
    assert differences & {(theirs, mine), (mine, theirs)}
    assert "was changed by someone else" in told.text or "were changed by someone else" in told.text
    assert TrailEntry.objects.filter(patient_key=patient.pk, action=ACTIONS[row]).count() == 1


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
