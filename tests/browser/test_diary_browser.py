"""The coordinator's Monday in a real browser: three who did not come, one moved, one placed; widths and keys."""

from datetime import date

import pytest
from django.conf import settings
from playwright.sync_api import expect

from programme.booking.models import Booking, StaffLimit
from tests.browsing import faults_at_every_width
from tests.conftest import client_of

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def unit(unit):
    """The unit, where a nurse is away for some days."""
    StaffLimit.objects.create(
        site=unit[0].site, since=date(2026, 6, 16), until=date(2026, 6, 17), most=1, words="1 nurse away"
    )
    return unit


def test_the_coordinators_monday(page_as, coordinator, unit, live_server):
    page = page_as(coordinator)
    for name in ("Fontayne", "Sallow", "Quist"):  # three did not come on Friday; the sheet begins on Monday
        page.goto(f"{live_server.url}/diary/?since=2026-05-25")
        page.locator("td.bkd").get_by_role("link", name=name, exact=True).click()
        expect(page.get_by_role("heading", level=1)).to_contain_text(f"{name}, Ada: Fri 29 May")
        page.get_by_role("button", name="Did not come").click()
        expect(page.get_by_role("status").filter(has_text="did not come on Fri 29 May 2026")).to_be_visible()
    page.goto(live_server.url)
    expect(page.get_by_text("Ada Fontayne did not come on Fri 29 May")).to_be_visible()
    expect(page.locator("td.need").get_by_text("Did not come on Fri 29 May")).to_have_count(3)

    page.goto(f"{live_server.url}/diary/")  # one is moved, at her own wish
    page.get_by_role("link", name="Mbaru", exact=True).click()
    page.get_by_label("the person", exact=True).check()
    page.get_by_label("Reason needed").fill("An interview on Tuesday.")
    page.get_by_label("Mon 8 Jun, 09:00 to 15:00").check()
    page.get_by_role("button", name="Move to this place").click()
    expect(page.get_by_role("status").filter(has_text="Mbaru, Ada is moved: Mon 8 Jun 2026, 09:00")).to_be_visible()

    page.get_by_role("button", name="1 choice for Larkspur, Ada").click()  # one is placed with one touch
    expect(page.get_by_role("status").filter(has_text="Larkspur, Ada is booked: Mon 8 Jun 2026, 10:00")).to_be_visible()
    # Fontayne's window was reckoned again when she did not come; by now every day may be late, which asks why.
    page.goto(f"{live_server.url}/people/R0/places/")
    page.get_by_role("radio").first.check()
    page.get_by_label("Why so late").fill("The first that is free.")
    page.get_by_label("The consultant knows").check()
    page.get_by_role("button", name="Book this place").click()
    expect(page.get_by_role("status").filter(has_text="Fontayne, Ada is booked")).to_be_visible()
    states = sorted(Booking.objects.values_list("state", flat=True))
    assert states == ["booked", "booked", "booked", "missed", "missed", "missed", "moved"]
    page.goto(live_server.url)
    expect(page.locator("td.need").get_by_text("Did not come on Fri 29 May")).to_have_count(2)


def test_axe_finds_nothing_and_nothing_overflows(page_as, coordinator, unit, live_server):
    booked = Booking.objects.get(patient__patient_ref="R3")
    page = page_as(coordinator)
    for there in ("/diary/", "/people/R4/places/", f"/people/R3/bookings/{booked.pk}/"):
        page.goto(live_server.url + there)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert faults_at_every_width(page) == []


def test_arrows_walk_the_places_and_enter_takes_one(page_as, coordinator, unit, live_server):
    page = page_as(coordinator)
    page.goto(f"{live_server.url}/diary/")
    third = page.get_by_role("button", name="2 choice for Larkspur, Ada")
    third.focus()
    page.keyboard.press("ArrowDown")
    expect(page.get_by_role("button", name="1 choice for Larkspur, Ada")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").filter(has_text="Larkspur, Ada is booked: Mon 8 Jun 2026")).to_be_visible()


def test_on_a_phone_the_places_are_booked_from_their_reasons(page_as, coordinator, unit, live_server):
    page = page_as(coordinator)
    page.set_viewport_size({"width": 390, "height": 800})
    page.goto(f"{live_server.url}/diary/")
    page.get_by_role("button", name="Book Larkspur, Ada on Mon 8 Jun").click()
    expect(page.get_by_role("status").filter(has_text="Larkspur, Ada is booked: Mon 8 Jun 2026")).to_be_visible()


def test_without_script_a_late_place_asks_why(browser, coordinator, unit, live_server):
    context = browser.new_context(java_script_enabled=False)
    cookie = client_of(coordinator).cookies[settings.SESSION_COOKIE_NAME]
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    page = context.new_page()
    page.goto(f"{live_server.url}/people/R4/places/")
    page.locator("summary").click()
    page.get_by_label("Fri 12 Jun, 09:00").check()
    page.get_by_role("button", name="Book this place").click()
    expect(page.get_by_role("alert")).to_contain_text("is after the last safe day, Wed 10 Jun 2026: say why.")
    page.get_by_label("Why so late").fill("Examinations.")
    page.get_by_role("button", name="Book this place").click()
    expect(page.get_by_role("status").filter(has_text="Larkspur, Ada is booked: Fri 12 Jun 2026")).to_be_visible()
    context.close()
