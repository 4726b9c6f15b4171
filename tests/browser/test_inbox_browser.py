"""Results that arrive while pages are open: the list renews itself, and the inbox is decided by touch."""

from __future__ import annotations

from datetime import date

import pytest
from playwright.sync_api import expect

from patients.models import LabResult
from programme.intake.models import InboxItem
from tests import factories
from tests.browsing import faults_at_every_width
from tests.programme.intake.test_lapsing import HB, signed_on_hb
from tests.programme.intake.test_reading import arrive, row

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def nurse(transactional_db):
    return factories.make_user(site=factories.make_site(name="Saltmarsh Day Unit"))


@pytest.fixture
def ada(nurse):
    patient = factories.make_patient("R001", site=nurse.site)
    factories.make_facts(factories.make_exchange_session(patient))
    factories.make_standing(patient, factories.make_fit_in_force(nurse.site))
    return patient


def test_a_mornings_results_reach_a_list_that_is_open(page_as, nurse, ada, live_server):
    page = page_as(nurse)
    page.goto(live_server.url)
    name = page.get_by_role("link", name="Testwood, Ada").first
    expect(name).to_be_visible()
    name.focus()
    before = page.locator("#everyone").get_attribute("data-version")
    arrive(nurse.site, row(value="33.6"))
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")  # as after 20 s, or on coming back to it
    expect(page.locator("#live")).to_contain_text("Something new arrived")
    expect(page.locator("#everyone")).to_contain_text("33.6")
    assert page.locator("#everyone").get_attribute("data-version") != before
    expect(page.get_by_role("link", name="Testwood, Ada").first).to_be_focused()


def test_axe_finds_nothing_and_nothing_overflows(page_as, nurse, ada, live_server):
    bea = factories.make_patient("R002", site=nurse.site, birth_date=date(1990, 1, 2), given_name="Bea")
    arrive(nurse.site, row(born="1990-01-02"), row(value="<5", result_id="A2"), row(unit="", result_id="A3"))
    two = InboxItem.objects.get(reason="two_people_fit")
    assert two.about["near"] == [ada.pk, bea.pk]
    page = page_as(nurse)
    for address in (
        "/inbox/",
        f"/inbox/{two.pk}/",
        "/inbox/filed/",
        "/inbox/codes/",
        "/inbox/senders/",
        "/bring-in/results/",
    ):
        page.goto(live_server.url + address)
        assert faults_at_every_width(page) == []


def test_a_file_is_looked_at_taken_decided_about_and_taken_back(page_as, nurse, ada, live_server):
    body = "patient_ref,birth_date,code,value,unit,taken_at,result_id,status,source\n" + row(value="<5")
    page = page_as(nurse)
    page.goto(live_server.url + "/bring-in/results/")
    file = {"name": "results.csv", "mimeType": "text/csv", "buffer": body.encode()}
    page.get_by_label("CSV file").set_input_files(file)
    page.get_by_role("button", name="Look at it").click()
    expect(page.get_by_text("It would file 0 of 1 results; 1 would wait in the inbox")).to_be_visible()
    assert not InboxItem.objects.exists()
    page.get_by_role("button", name="Bring in 1 result").click()
    page.get_by_role("button", name="Leave it out").click()
    expect(page.get_by_text("No result is waiting.")).to_be_visible()
    page.get_by_role("link", name="Filed today").click()
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_text("Taken back; it waits again.")).to_be_visible()
    assert LabResult.objects.get(source="Tidewater Laboratory").held_reason


def test_a_correction_that_arrives_makes_a_signed_plan_lapse_while_pages_are_open(page_as, nurse, ada, live_server):
    """The open list says that something arrived, the inbox begins with it, and the plan must be signed anew."""
    consultant = factories.make_user(site=nurse.site, role="consultant")
    plan = signed_on_hb(ada, nurse, consultant)
    page = page_as(nurse)
    page.goto(live_server.url)
    arrive(nurse.site, row(**HB | {"value": "84", "status": "corrected"}))
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.locator("#live")).to_contain_text("Something new arrived")
    page.get_by_role("link", name="Inbox").click()
    first = page.locator(".ib tbody tr").first
    expect(first).to_contain_text("A signed plan has lapsed")
    expect(first).to_contain_text("was corrected to 84 g/L")
    day = f"{live_server.url}/people/{ada.patient_ref}/day/{plan.exchange_session_id}"
    page.goto(f"{day}/plan/")
    expect(page.locator("main")).to_contain_text("was corrected to 84 g/L")
    page.goto(f"{day}/start/")
    expect(page.locator("main")).to_contain_text("it can be started once its plan is signed")
