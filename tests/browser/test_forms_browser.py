"""Forms and the plan in a real browser: by keyboard alone, at every width, without script, and with nothing for axe."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import expect

from patients.models import LabResult, Patient
from programme.planning import services
from tests.browsing import faults_at_every_width
from tests.factories import (
    NOW,
    PASSWORD,
    make_antibody,
    make_course,
    make_facts,
    make_measure,
    make_needs,
    make_other_transfusion,
    make_patient,
    make_result,
    make_site,
    make_user,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]
WOBBLE = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)
FORMS = (
    "change_person", "change_standing", "change_needs", "change_goals", "add_measure", "add_session", "add_results",
    "add_transfusion", "follow_up", "records", "plan",
)  # fmt: skip


@pytest.fixture
def site(transactional_db):
    return make_site(name="Saltmarsh Day Unit")


@pytest.fixture
def consultant(site):
    return make_user(role="consultant", site=site)


@pytest.fixture
def people(site):
    """Six people planned by the programme itself."""
    found = []
    for n in range(6):
        patient = make_patient(f"R{n}", site=site, family_name="Larkspur")
        make_needs(patient)
        make_antibody(patient, "anti-E", found_year=2014)
        for k, done in enumerate(make_course(patient, sessions=9)):
            make_facts(
                done, hbs_before_pct=28.0 + WOBBLE[(k + n) % 8], hbs_after_pct=13.5 + WOBBLE[(k + 3 * n) % 8] / 2,
                hb_before_g_l=92 + 2 * WOBBLE[(k + 5 * n) % 8], hb_after_g_l=103 + 2 * WOBBLE[(k + 2 * n) % 8],
            )  # fmt: skip
        found.append(patient)
    make_measure(found[0])
    make_other_transfusion(found[5])
    services.renew([patient.pk for patient in found], NOW)
    return found


def test_the_main_job_goes_by_keyboard_alone(page, site, people, live_server):
    """Sign in, find the person on the list, open their course, read the plan, come back and record a result."""
    nurse = make_user(role="nurse", site=site, with_password=True)
    page.goto(live_server.url)
    press = page.keyboard.press
    expect(page.get_by_label("Your name here")).to_be_focused()
    page.keyboard.type(nurse.username)
    press("Tab")
    page.keyboard.type(PASSWORD)
    press("Enter")
    expect(page).to_have_url(f"{live_server.url}/")
    tab_to(page, "Larkspur, Ada")
    press("Enter")
    expect(page).to_have_url(re.compile("/people/R[0-5]/$"))
    tab_to(page, "Plan of the next session")
    press("Enter")
    expect(page.get_by_role("table", name="Steps in order")).to_be_visible()
    tab_to(page, "Course")
    press("Enter")
    expect(page).to_have_url(re.compile("/people/R[0-5]/$"))
    tab_to(page, "Enter results")
    press("Enter")
    expect(page).to_have_url(re.compile("/results/$"))
    tab_to(page, "Hb")
    page.keyboard.type("9.4")
    expect(page.get_by_text("read as 94 g/L")).to_be_visible()
    press("Enter")
    expect(page.get_by_text("Hb: 9.4 read as 94 g/L.")).to_be_visible()
    assert LabResult.objects.filter(source="by hand").get().value == 94


def tab_to(page, name, most=120):
    """Press Tab until what has the focus is called `name`; it must also be seen to have it."""
    for _ in range(most):
        page.keyboard.press("Tab")
        called = page.evaluate(
            "(e => e.labels?.[0]?.innerText.split('\\n')[0] || e.getAttribute('aria-label') || e.innerText)"
            "(document.activeElement)"
        )
        if (called or "").strip() == name:
            ring = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert ring == "solid", f"{name} has the focus and does not show it"
            return
    raise AssertionError(f"{name!r} was not reached by Tab")


def test_forms_and_plan_hold_and_axe_finds_nothing(page_as, consultant, people, live_server):
    page = page_as(consultant)
    addresses = [reverse(f"worklist:{name}", args=["R0"]) for name in FORMS]
    addresses += [reverse("worklist:add_person"), reverse("worklist:settings"), "/settings/unit_hb_g/"]
    for address in addresses:
        page.goto(live_server.url + address)
        assert faults_at_every_width(page) == []


@pytest.mark.parametrize("width", [1440, 390])
def test_a_refused_form_leads_to_its_fields_and_keeps_what_was_typed(page_as, consultant, live_server, width):
    page = page_as(consultant)
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(live_server.url + reverse("worklist:add_person"))
    page.get_by_label("Own reference").fill("SM-071")
    page.get_by_label("Sex").select_option("M")
    page.get_by_label("Weight").fill("580")
    page.get_by_label("Genotype").select_option("SS")
    page.get_by_label("Untransfused HbS").fill("62")
    page.get_by_role("button", name="Add this person").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("580 is outside what is allowed")
    assert Axe().run(page).response["violations"] == []
    alert.get_by_role("link", name="Weight: 580").click()
    expect(page.get_by_label("Weight")).to_be_focused()
    page.get_by_label("Weight").fill("58")
    page.get_by_label("It is right").check()
    page.get_by_role("button", name="Add this person").click()
    expect(page.get_by_text("Added.")).to_be_visible()
    assert Patient.objects.get().untransfused_pct == 62


def test_a_form_works_without_script(browser, client, consultant, people, live_server):
    client.force_login(consultant)
    context = browser.new_context(java_script_enabled=False)
    cookie = client.cookies["sessionid"]
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    page = context.new_page()
    page.goto(live_server.url + reverse("worklist:add_session", args=["R0"]))
    page.get_by_label("Weight").fill("60")
    page.get_by_label("Fluid of step 1").select_option("saline")
    page.get_by_role("button", name="More steps").click()
    expect(page.get_by_label("Fluid of step 8")).to_be_visible()
    expect(page.get_by_label("Fluid of step 1")).to_have_value("saline")
    page.get_by_label("Weight").press("Enter")  # saves, and does not ask for more steps
    expect(page.get_by_text("The session is recorded.")).to_be_visible()
    context.close()


def test_two_people_at_one_row_are_told_and_shown_both_values(page_as, consultant, people, live_server):
    page = page_as(consultant)
    address = live_server.url + reverse("worklist:change_person", args=["R0"])
    page.goto(address)
    other = page.context.new_page()
    other.goto(address)
    other.get_by_label("Given name").fill("Theirs")
    other.get_by_role("button", name="Save").click()
    expect(other.get_by_text("Saved.")).to_be_visible()
    page.get_by_label("Given name").fill("Mine")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("row", name="Given name Theirs Mine")).to_be_visible()
    assert Axe().run(page).response["violations"] == []


def test_a_wrong_result_is_struck_and_said(page_as, consultant, people, live_server):
    result = make_result(people[0], analyte="718-7", value=102)
    page = page_as(consultant)
    page.goto(live_server.url + reverse("worklist:records", args=["R0"]))
    page.get_by_role("link", name="Correct Hb of 1 Jun 2026").click()
    page.get_by_label("Right value of Hb").fill("94")
    page.get_by_label("Why").fill("typed wrongly")
    page.get_by_role("button", name="Correct it").click()
    expect(page.get_by_text("corrected since: typed wrongly")).to_be_visible()
    expect(page.locator("del", has_text="102")).to_be_visible()
    assert LabResult.objects.get(supersedes=result).value == 94
