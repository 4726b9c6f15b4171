"""A nurse plans a session, types over it, a consultant signs it, and a correction takes the signature away."""

import re

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from patients import services as patient_services
from patients.models import Analyte, LabResult
from programme.planning import services as planner
from sessions.day.models import Prescription
from sessions.models import ExchangeSession
from tests.browsing import WIDTHS, faults_of, follow, pixels_beyond_the_window
from tests.factories import (
    NOW,
    TODAY,
    make_antibody,
    make_course,
    make_facts,
    make_measure,
    make_needs,
    make_patient,
    make_result,
    make_site,
    make_site_setting,
    make_user,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]
WOBBLE = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)


@pytest.fixture
def site(transactional_db):
    return make_site(name="Saltmarsh Day Unit")


@pytest.fixture
def nurse(site):
    return make_user(role="nurse", site=site)


@pytest.fixture
def consultant(site):
    return make_user(role="consultant", site=site)


@pytest.fixture
def patient(site):
    """One of four people planned by the programme itself; weighed today, HbS measured, Hb not yet."""
    found = []
    for n in range(4):
        someone = make_patient(f"R{n}", site=site, family_name="Larkspur")
        make_needs(someone)
        make_antibody(someone, "anti-E", found_year=2014)
        for k, done in enumerate(make_course(someone, sessions=9)):
            make_facts(
                done, hbs_before_pct=28.0 + WOBBLE[(k + n) % 8], hbs_after_pct=13.5 + WOBBLE[(k + 3 * n) % 8] / 2,
                hb_before_g_l=92 + 2 * WOBBLE[(k + 5 * n) % 8], hb_after_g_l=103 + 2 * WOBBLE[(k + 2 * n) % 8],
            )  # fmt: skip
        make_measure(someone, on=TODAY, weight_kg=60.0, height_cm=None)
        found.append(someone)
    planner.renew([someone.pk for someone in found], NOW)
    make_result(found[0], analyte=Analyte.HBS, value=28.4)
    return found[0]


def open_plan(page, live_server, exchange_session):
    page.goto(
        live_server.url + reverse("bedside:plan", args=[exchange_session.patient.patient_ref, exchange_session.pk])
    )


def test_nurse_plans_consultant_signs_and_a_correction_lapses_it(page_as, live_server, patient, nurse, consultant):
    make_site_setting(site=patient.site, name="hard_hb_floor", value=0)  # here a prescriber may pass the floor
    page = page_as(nurse)
    page.goto(f"{live_server.url}/people/R0/plan/")
    page.get_by_role("button", name="Plan this session for today").click()
    expect(page.get_by_text("Hb before is expected, not measured").first).to_be_visible()
    lede = page.locator("#day-lede")
    # Typing Hb in g/dL works the session out at once and keeps nothing.
    page.get_by_label("Hb before").fill("9.4")
    expect(page.get_by_text("read as 94 g/L")).to_be_visible()
    expect(lede).to_contain_text("As typed, not kept")
    expect(lede).to_contain_text(re.compile(r"Hb 94 to \d+"))
    assert not LabResult.objects.filter(patient=patient, analyte=Analyte.HB, source="by hand").exists()
    page.get_by_role("button", name="Make the plan again from these figures").click()
    expect(page.get_by_text("Hb before: 9.4 read as 94 g/L.")).to_be_visible()
    # A volume over a limit is named while it is typed, with the focus left where it is.
    saline = page.get_by_label("in, mL, step 1")
    page.get_by_label("fluid of step 1").select_option("saline")
    page.get_by_label("out, mL, step 1").fill("950")
    saline.fill("950")
    expect(page.locator("#day-limits")).to_contain_text(re.compile(r"Saline in the session: [\d,]+, allowed is 900 mL"))
    expect(saline).to_be_focused()
    expect(page.locator("#day-passed")).to_be_hidden()
    page.set_viewport_size({"width": 1024, "height": 768})  # here the limits lie far below the steps
    expect(page.locator("#day-passed")).to_contain_text("Saline in the session")
    expect(page.locator("#day-shut")).to_contain_text("What is typed is not kept")
    page.get_by_label("Changed something? Say why").fill("thirsty since the morning")
    page.get_by_role("button", name="Keep these steps as the next plan").click()
    expect(page.locator(".crumb")).to_contain_text("Plan 3")
    exchange_session = ExchangeSession.objects.get(patient=patient, state="planned")
    plan = Prescription.objects.filter(exchange_session=exchange_session).latest("number")
    assert (plan.number, plan.why) == (3, "thirsty since the morning")
    expect(page.get_by_role("button", name="Authorise this plan")).to_have_count(0)
    # The prescriber gives the reason for each limit passed, and signs.
    page = page_as(consultant)
    open_plan(page, live_server, exchange_session)
    for box in page.locator("input[name^=reason-]").all():
        box.fill("dehydrated, agreed")
    page.get_by_role("button", name="Authorise this plan").click()
    expect(page.get_by_text("Plan 3 is signed.")).to_be_visible()
    expect(page.get_by_text("Passed with a reason.").first).to_be_visible()
    result = LabResult.objects.get(pk=plan.inputs["hb"]["result"])
    patient_services.correct_result(result=result, value=84.0, why="wrong tube", actor=nurse, at=NOW)
    page.reload()
    expect(page.get_by_text(re.compile("The signature on plan 3 lapsed"))).to_be_visible()
    expect(page.get_by_text(re.compile("was corrected to 84 g/L: wrong tube")).first).to_be_visible()
    expect(page.get_by_role("button", name="Authorise this plan")).to_have_count(0)


def test_a_step_taken_out_over_a_slow_network_stays_out_whatever_is_pressed_or_typed_beside_it(
    page_as, live_server, patient, nurse
):
    make_result(patient, analyte=Analyte.HB, value=94.0)
    page = page_as(nurse)
    page.goto(f"{live_server.url}/people/R0/plan/")
    page.get_by_role("button", name="Plan this session for today").click()
    rows = page.locator("#day-form tbody tr")
    expect(rows.first).to_be_visible()
    planned = rows.count()
    page.route("**/plan/typed/", lambda route: (page.wait_for_timeout(900), route.continue_()))
    saline = page.get_by_label("in, mL, step 1")
    saline.press("Enter")
    expect(page.locator("#day-lede")).to_contain_text("As typed")
    expect(saline).to_be_focused()
    page.get_by_label("Changed something? Say why").fill("one bag is short")  # is on its way as the button is pressed
    page.get_by_role("button", name="take step 2 out").click()
    page.get_by_role("button", name="Keep these steps as the next plan").click()
    expect(page.locator(".crumb")).to_contain_text("Plan 2")
    plan = Prescription.objects.latest("number")
    assert (len(plan.steps), plan.why) == (planned - 1, "one bag is short")


def test_the_plan_is_without_fault_and_as_wide_as_its_window(
    page_as, live_server, patient, nurse, consultant, tmp_path
):
    make_result(patient, analyte=Analyte.HB, value=94.0)
    page = page_as(consultant)
    page.goto(f"{live_server.url}/people/R0/plan/")
    page.get_by_role("button", name="Plan this session for today").click()
    expect(page.locator("#day-form")).to_be_visible()
    for width in WIDTHS:
        assert pixels_beyond_the_window(page, width) <= 0, width
        assert faults_of(page) == [], width
    expect(page.locator("#day-form")).to_be_hidden()  # the last width is that of a telephone: read only
    expect(page.get_by_text("Authorise on a larger screen")).to_be_visible()


def test_steps_are_changed_by_keyboard_and_without_script(browser, live_server, patient, nurse, console_errors):
    make_result(patient, analyte=Analyte.HB, value=94.0)
    from tests.conftest import client_of  # noqa: PLC0415 -- with the browser's driver running

    cookie = next(iter(client_of(nurse).cookies.values()))
    with browser.new_context(java_script_enabled=False) as context:
        context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
        page = context.new_page()
        page.goto(f"{live_server.url}/people/R0/plan/")
        follow(page.get_by_role("button", name="Plan this session for today"))
        rows = page.locator("#day-form tbody tr").count()
        page.get_by_role("button", name="Add saline").click()
        expect(page.locator("#day-form tbody tr")).to_have_count(rows + 1)
        page.get_by_label("Hb before").fill("8.8")
        page.get_by_role("button", name="Work it out").last.click()
        expect(page.locator("#day-lede")).to_contain_text("Hb before 88 instead of 94 g/L")
        page.get_by_label("Changed something? Say why").fill("one bag more")
        page.get_by_role("button", name="Keep these steps as the next plan").click()
        expect(page.get_by_text("The next plan is made.")).to_be_visible()
    assert Prescription.objects.latest("number").number == 2
