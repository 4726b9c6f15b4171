"""The course in a real browser: the chart over the served picture, what-if without leaving the page, accessibility."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import expect

from programme.planning import services
from tests.browsing import faults_at_every_width, tables_cut
from tests.factories import (
    NOW,
    TODAY,
    make_antibody,
    make_course,
    make_facts,
    make_fit_in_force,
    make_haemolysis_sign,
    make_needs,
    make_patient,
    make_result,
    make_site,
    make_standing,
    make_user,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]
WOBBLE = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)
LOCKED = {
    "reason": "dark urine",
    "rows": [{"sign": "Hb on day 10", "expected": 92, "lowest": 77, "found": 69}],
    "until": "2026-06-12",
}


@pytest.fixture
def consultant(transactional_db):
    return make_user(role="consultant", site=make_site(name="Saltmarsh Day Unit"))


def make_person(site, ref, n):
    patient = make_patient(ref, site=site, family_name="Larkspur")
    make_needs(patient)
    make_antibody(patient, "anti-E", found_year=2014)
    for k, done in enumerate(make_course(patient, sessions=9)):
        make_facts(
            done,
            hbs_before_pct=28.0 + WOBBLE[(k + n) % 8],
            hbs_after_pct=13.5 + WOBBLE[(k + 3 * n) % 8] / 2,
            hb_before_g_l=92 + 2 * WOBBLE[(k + 5 * n) % 8],
            hb_after_g_l=103 + 2 * WOBBLE[(k + 2 * n) % 8],
            method="A" if k < 4 else "B",
            remark="Low share of ideal: sampled too early, or poor mixing." if k == 5 else "",
            share_of_ideal=0.94,
            share_of_ideal_sd=0.1,
            net_iron_mg=160.0,
        )
    return patient


@pytest.fixture
def there(consultant, live_server):
    """A person planned by the programme itself, beside some others."""
    for n in range(5):
        make_person(consultant.site, f"R{n}", n)
    services.renew(list(consultant.site.patients.values_list("pk", flat=True)), NOW)
    return live_server.url + reverse("worklist:course", args=["R0"])


@pytest.fixture
def locked_there(consultant, live_server):
    patient = make_person(consultant.site, "R0", 0)
    make_haemolysis_sign(patient)
    make_result(patient, analyte="718-7", value=64, on=TODAY)
    make_standing(
        patient, make_fit_in_force(consultant.site), forecast={"locked": LOCKED}, reason="possible delayed haemolysis"
    )
    return live_server.url + reverse("worklist:course", args=["R0"])


def open_drawn(page, address):
    """Open the page and wait until the chart stands over the served picture."""
    page.goto(address)
    expect(page.locator("#plot[data-drawn=yes] .main-svg").first).to_be_visible()


def test_axe_finds_nothing_and_nothing_overflows(page_as, consultant, there):
    page = page_as(consultant)
    open_drawn(page, there)
    assert faults_at_every_width(page) == []


@pytest.mark.parametrize("width", [390, 320])
def test_the_chart_is_drawn_on_a_narrow_screen(page_as, consultant, locked_there, width):
    page = page_as(consultant)
    page.set_viewport_size({"width": width, "height": 800})
    open_drawn(page, locked_there)
    assert faults_at_every_width(page, (width,)) == []


def test_the_chart_takes_the_place_of_the_served_picture_and_answers_to_the_pointer(page_as, consultant, there):
    page = page_as(consultant)
    page.set_viewport_size({"width": 1440, "height": 900})
    open_drawn(page, there)
    expect(page.locator("svg.fullpic")).to_be_hidden()
    box = page.locator("#plot .nsewdrag").first.bounding_box()
    for share in range(5, 100, 3):
        page.mouse.move(box["x"] + box["width"] * share / 100, box["y"] + box["height"] * 0.35)
        if page.locator("#plot .hovertext").count():
            break
    expect(page.locator("#plot .hovertext").first).to_be_visible()


def test_months_back_are_chosen_without_leaving_the_page(page_as, consultant, there):
    page = page_as(consultant)
    page.set_viewport_size({"width": 1440, "height": 900})
    open_drawn(page, there)
    page.get_by_role("link", name="6 months").click()
    expect(page.get_by_role("link", name="6 months")).to_have_attribute("aria-current", "true")
    expect(page).to_have_url(there)


@pytest.mark.parametrize("width", [1440, 1024])
def test_a_way_can_be_taken_without_pushing_the_table_aside(page_as, consultant, there, width):
    page = page_as(consultant)
    page.goto(there)
    expect(page.get_by_role("heading", name="Ways to hold the ceiling")).to_be_visible()
    assert not [words for words in tables_cut(page, width) if "Fewest visits" in words]


def test_a_question_is_answered_without_leaving_the_page(page_as, consultant, there):
    page = page_as(consultant)
    page.goto(there)
    page.evaluate("window.stayed = true")
    page.get_by_role("textbox", name="Ceiling").fill("40")
    page.keyboard.press("Enter")
    expect(page.locator("#answers [role=status]")).to_contain_text("What if ceiling 40 %")
    expect(page.locator("#live")).to_contain_text("ceiling 40 %")
    expect(page).to_have_url(there + "?ceiling=40&chance=&interval=&end=")
    assert page.evaluate("window.stayed") is True
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()


def test_a_question_is_answered_without_script(browser, consultant, there, page_as):
    cookies = page_as(consultant).context.cookies()
    context = browser.new_context(java_script_enabled=False)
    context.add_cookies(cookies)
    page = context.new_page()
    page.goto(there)
    expect(page.locator("svg.fullpic")).to_be_visible()
    page.get_by_label("Interval").fill("21")
    page.get_by_role("button", name="Ask").click()
    expect(page.locator("#answers [role=status]")).to_contain_text("What if every 21 days")
    page.get_by_text("Shown working of the pace").click()
    expect(page.get_by_text("gaps used")).to_be_visible()
    context.close()


def test_shown_working_opens_by_key(page_as, consultant, there):
    page = page_as(consultant)
    page.goto(there)
    page.get_by_text("Shown working of the pace").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("gaps used")).to_be_visible()


def test_a_consultant_lifts_the_lock_with_a_reason(page_as, consultant, locked_there):
    page = page_as(consultant)
    page.goto(locked_there)
    expect(page.get_by_text("No red cells until a haematologist")).to_be_visible()
    page.get_by_label("Reason for lifting the lock").fill("reviewed, no sign of haemolysis")
    page.get_by_role("button", name="Lift the lock").click()
    expect(page.get_by_text("The lock is lifted, with your reason.")).to_be_visible()
    expect(page.get_by_text("Haemolysis lock lifted")).to_be_visible()


def test_the_print_opens_the_working_and_keeps_the_served_picture(page_as, consultant, there):
    page = page_as(consultant)
    page.set_viewport_size({"width": 1440, "height": 900})
    open_drawn(page, there)
    page.emulate_media(media="print")
    expect(page.locator("svg.fullpic")).to_be_visible()
    expect(page.locator("#plot")).to_be_hidden()
    expect(page.locator("#what-if-head")).to_be_hidden()
    expect(page.get_by_text("CAUTION")).to_be_visible()
