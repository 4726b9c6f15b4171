"""The sheets of a session are printed where they are asked for, and read back as text by poppler."""

import subprocess

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from sessions.models import ExchangeSession
from tests.factories import NOW, make_patient, make_running, make_site, make_user

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def nurse(transactional_db):
    return make_user(site=make_site(name="Saltmarsh Day Unit"), full_name="A. Fenwick")


@pytest.fixture
def running(nurse):
    signed_by = make_user(site=nurse.site, role="consultant", full_name="R. Marsh")
    return make_running(make_patient("R7", site=nurse.site, family_name="Larkspur"), by=signed_by, unit_state="given")


def printed(page, live_server, name):
    """Return the text of the paper behind a link of the page that is open."""
    link = page.get_by_role("link", name=name)
    expect(link).to_be_visible()
    answer = page.request.get(live_server.url + link.get_attribute("href"))
    assert (answer.status, answer.headers["content-type"]) == (200, "application/pdf")
    done = subprocess.run(["pdftotext", "-", "-"], input=answer.body(), capture_output=True, check=True)
    return " ".join(done.stdout.decode().split())


def test_plan_empty_record_and_record_are_printed_from_their_pages(page_as, live_server, nurse, running):
    page = page_as(nurse)
    page.goto(live_server.url + reverse("bedside:plan", args=["R7", running.pk]))
    for name in ("Print the plan", "Print an empty record"):
        text = printed(page, live_server, name)
        assert "Larkspur" in text
        assert "R7" in text
        assert "by A. Fenwick" in text
    given = {"red_cells_in_ml": 516, "saline_in_ml": 0, "blood_out_ml": 500, "units": 2}
    ExchangeSession.objects.filter(pk=running.pk).update(state="finished", ended_at=NOW, **given)
    page.goto(live_server.url + reverse("bedside:after", args=["R7", running.pk]))
    assert "Larkspur" in printed(page, live_server, "Print the record")
