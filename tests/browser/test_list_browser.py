"""The list in a real browser: keys, live search, widths, without script, and what a checker of accessibility finds."""

from datetime import date

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from tests.browsing import faults_at_every_width
from tests.factories import (
    TODAY,
    make_exchange_session,
    make_facts,
    make_fit_in_force,
    make_patient,
    make_result,
    make_site,
    make_standing,
    make_user,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def nurse(transactional_db):
    return make_user(site=make_site(name="Saltmarsh Day Unit"))


@pytest.fixture
def there(nurse, live_server):
    """People in every band, and the address of their list."""
    fit = make_fit_in_force(nurse.site)
    locked = {"reason": "dark urine", "rows": [], "until": "2026-06-05"}
    people = {
        "Larkspur": {"latest_safe_date": date(2026, 5, 28), "chance_today": 0.4},
        "Pemberwell": {},
        "Quillfeather": {"next_date": date(2026, 6, 22), "latest_safe_date": date(2026, 6, 24)},
        "Ravensdale": {"reason": "The height is missing."},
        "Sandeman": {"forecast": {"locked": locked}, "reason": "possible delayed haemolysis"},
    }
    for n, (name, suggestion) in enumerate(people.items()):
        patient = make_patient(f"R{n}", site=nurse.site, family_name=name)
        make_facts(make_exchange_session(patient))
        make_standing(patient, fit, **suggestion)
    over = make_patient("R9", site=nurse.site, family_name="Tarrant")
    make_result(over, value=33.6, on=TODAY)
    make_standing(over, fit)
    return live_server.url + reverse("worklist:list")


def test_axe_finds_nothing_and_nothing_overflows(page_as, nurse, there):
    page = page_as(nurse)
    page.goto(there)
    expect(page.get_by_role("link", name="Larkspur, Ada")).to_be_visible()
    assert faults_at_every_width(page) == []


def test_letter_keys_walk_the_rows_and_open_the_course(page_as, nurse, there):
    page = page_as(nurse)
    page.goto(there)
    names = page.locator("#everyone a[data-row]")
    page.keyboard.press("j")
    expect(names.nth(0)).to_be_focused()
    page.keyboard.press("j")
    expect(names.nth(1)).to_be_focused()
    page.keyboard.press("k")
    expect(names.nth(0)).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Sandeman, Ada")


def test_the_letter_p_opens_the_plan(page_as, nurse, there):
    page = page_as(nurse)
    page.goto(there)
    page.get_by_role("link", name="Pemberwell, Ada").focus()
    page.keyboard.press("p")
    expect(page).to_have_url(there + "people/R1/plan/")


def test_a_question_mark_lists_the_keys(page_as, nurse, there):
    page = page_as(nurse)
    page.goto(there)
    page.keyboard.press("?")
    expect(page.get_by_role("dialog")).to_contain_text("next row, row before")
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)


def test_letters_do_nothing_when_the_user_has_turned_them_off(page_as, nurse, there):
    nurse.letter_keys = False
    nurse.save()
    page = page_as(nurse)
    page.goto(there)
    page.keyboard.press("j")
    expect(page.locator("#everyone a[data-row]").first).not_to_be_focused()


def test_search_narrows_while_typing_and_letters_stay_letters(page_as, nurse, there):
    page = page_as(nurse)
    page.goto(there)
    page.keyboard.press("/")
    expect(page.get_by_role("searchbox", name="Find")).to_be_focused()
    page.keyboard.type("pemj", delay=20)
    expect(page.get_by_text("Nobody is called")).to_be_visible()
    page.keyboard.press("Backspace")
    expect(page.locator("#everyone a[data-row]")).to_have_count(1)
    expect(page.locator("#live")).to_have_text("1 people shown")
    expect(page).to_have_url(there + "?find=pem")
    page.keyboard.press("ArrowDown")
    expect(page.get_by_role("link", name="Pemberwell, Ada")).to_be_focused()


def test_the_page_works_without_script(browser, nurse, there, page_as):
    cookies = page_as(nurse).context.cookies()
    context = browser.new_context(java_script_enabled=False)
    context.add_cookies(cookies)
    page = context.new_page()
    page.goto(there)
    assert page.locator("td.pic svg").count() == 6
    page.get_by_label("Find").fill("larks")
    page.get_by_role("button", name="Find").click()
    expect(page.locator("a[data-row]")).to_have_count(1)
    page.get_by_role("link", name="Larkspur, Ada").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Larkspur, Ada")
    expect(page.locator("svg.fullpic")).to_be_visible()
    context.close()


def test_the_print_keeps_rows_and_pictures_and_drops_what_is_pressed(page_as, nurse, there):
    page = page_as(nurse)
    page.goto(there)
    page.emulate_media(media="print")
    expect(page.get_by_role("navigation", name="Main")).to_be_hidden()
    expect(page.get_by_label("Find")).to_be_hidden()
    expect(page.locator("td.pic svg").first).to_be_visible()
    expect(page.get_by_text("CAUTION")).to_be_visible()
