"""The coordinator's blood in a real browser: draft and send orders, take a part confirmation, receive and trace."""

from datetime import date

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from playwright.sync_api import expect

from programme.supply.models import BloodOrder, OrderState
from tests.blood import make_booked, make_open_unit, number_of, typed
from tests.browsing import WIDTHS, follow, pixels_beyond_the_window
from tests.conftest import client_of
from tests.factories import make_antibody, make_site, make_user

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def coordinator(transactional_db):
    return make_user(role="coordinator", site=make_site(name="Saltmarsh Day Unit"), full_name="R. Mossbank")


@pytest.fixture
def booked(coordinator):
    """Two people with bookings and plans; the second has an antibody, and more than ten working days to go."""
    chair = make_open_unit(coordinator.site)
    first = make_booked(chair, by=coordinator, family_name="Larkspur", given_name="Kofi")
    second = make_booked(chair, by=coordinator, on=date(2026, 6, 26), family_name="Zeidan", given_name="Hanan")
    make_antibody(second.patient, "anti-Jk(b)")
    return first, second


@pytest.fixture
def signed_in(page, live_server, coordinator):
    cookie = client_of(coordinator).cookies[settings.SESSION_COOKIE_NAME].value
    page.context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}])
    return page


def test_orders_are_sent_a_part_is_confirmed_and_units_arrive_and_are_traced(signed_in, live_server, booked):
    page = signed_in
    page.goto(f"{live_server.url}/blood/")
    expect(page.get_by_role("row", name="Larkspur, Kofi")).to_contain_text("to order")
    page.get_by_role("button", name="Draft 2 orders").click()
    expect(page.get_by_text("Orders drafted: 2.")).to_be_visible()
    page.get_by_role("button", name="Send 2 drafted orders").click()
    expect(page.get_by_text("Orders marked as sent: 2.")).to_be_visible()
    expect(page.get_by_role("row", name="Zeidan, Hanan")).to_contain_text("anti-Jk(b)")

    page.get_by_role("link", name="Zeidan, Hanan").first.click()
    page.get_by_label("Units confirmed, of 5").fill("3")
    page.get_by_role("button", name="Record the answer").click()
    expect(page.get_by_role("alert")).to_contain_text("Fewer than ordered: say what the blood bank said")
    expect(page.get_by_label("Units confirmed, of 5")).to_have_value("3")
    page.get_by_label("What was said; which need is not met").fill("only three Jk(b)− in the region")
    page.get_by_role("button", name="Record the answer").click()
    expect(page.get_by_text("The answer is recorded.")).to_be_visible()
    expect(page.get_by_text("5 units, 3 of 5 confirmed.")).to_be_visible()
    assert BloodOrder.objects.get(booking=booked[1]).state == OrderState.PART

    page.get_by_label("Donation numbers").fill(f"{typed(1)}\n{typed(2)}")
    page.get_by_label("Negative for").fill("C, E, K, Jk(b)")
    page.get_by_label("Group").select_option("O+")
    page.get_by_label("HbS-negative on the label").check()
    page.get_by_role("button", name="Record the units").click()
    expect(page.get_by_text("The units are recorded.")).to_be_visible()
    expect(page.get_by_text("2 came in: 2 in the fridge")).to_be_visible()
    page.get_by_role("link", name="Z9990 26 000001").click()
    expect(page.get_by_text("Known here, and given to nobody.")).to_be_visible()
    assert page.get_by_label("Donation number").input_value() == number_of(1)


def test_the_blood_pages_fit_and_are_accessible(signed_in, live_server, booked):
    page = signed_in
    page.goto(f"{live_server.url}/blood/")
    follow(page.get_by_role("button", name="Draft 2 orders"))
    follow(page.get_by_role("button", name="Send 2 drafted orders"))
    for address in ("/blood/", "/blood/orders/1/", "/blood/coming/", f"/blood/trace/?number={number_of(1)}"):
        page.goto(f"{live_server.url}{address}")
        found = [f"{one['id']}: {one['nodes'][0]['html'][:90]}" for one in Axe().run(page).response["violations"]]
        assert found == [], address
        for width in WIDTHS:
            assert pixels_beyond_the_window(page, width) <= 0, f"{address} at {width}"
