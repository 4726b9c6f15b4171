"""The coordinator's Monday by a proposal, to the blood bank's answer; every page of the chairs, by axe and width."""

import re

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from programme.booking.models import Booking, Proposal
from programme.supply.models import BloodOrder
from sessions.models import ModelFit
from tests.browsing import faults_at_every_width
from tests.factories import (
    make_exchange_session,
    make_facts,
    make_patient,
    make_standing,
)

PAGES_OF_THE_CHAIRS = (
    "/diary/proposal/", "/people/R4/suits/", "/people/R4/suits/wishes/", "/chairs/", "/contacts/", "/calendars/"
)  # fmt: skip
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


def test_three_missed_one_moved_the_rest_by_a_proposal_and_the_orders_answered(page_as, coordinator, unit, live_server):
    page = page_as(coordinator)
    for name in ("Fontayne", "Sallow", "Quist"):
        page.goto(f"{live_server.url}/diary/?since=2026-05-25")
        page.locator("td.bkd").get_by_role("link", name=name, exact=True).click()
        page.get_by_role("button", name="Did not come").click()
        expect(page.get_by_role("status").filter(has_text="did not come on Fri 29 May 2026")).to_be_visible()
    page.goto(f"{live_server.url}/diary/")
    page.get_by_role("link", name="Mbaru", exact=True).click()
    page.get_by_label("the person", exact=True).check()
    page.get_by_label("Reason needed").fill("An interview on Tuesday.")
    page.get_by_label("Mon 8 Jun, 09:00 to 15:00").check()
    page.get_by_role("button", name="Move to this place").click()
    expect(page.get_by_role("status").filter(has_text="Mbaru, Ada is moved: Mon 8 Jun 2026, 09:00")).to_be_visible()

    page.get_by_role("link", name="Place everyone due").click()
    page.get_by_role("button", name="Make a proposal").click()
    expect(page.get_by_text("Nothing is booked until you accept.")).to_be_visible()
    asked = Proposal.objects.get()
    waiting = len(asked.found["placed"])
    assert waiting >= 1
    assert Booking.objects.standing().count() == 1, "only the moved one: a proposal books nothing"
    if page.get_by_label("Why so late").count():
        page.get_by_label("Why so late").fill("The first places that are free.")
    if page.get_by_label("The consultant knows").count():
        page.get_by_label("The consultant knows").check()
    page.get_by_role("button", name="Accept the places ticked").click()
    expect(
        page.get_by_role("status").filter(has_text=re.compile(f"^.*{waiting} places? (is|are) booked"))
    ).to_be_visible()
    assert Booking.objects.standing().count() == 1 + waiting

    page.goto(f"{live_server.url}/blood/")
    page.get_by_role("button", name=re.compile(r"Draft \d+ order")).click()
    page.get_by_role("button", name=re.compile(r"Send \d+ drafted order")).click()
    expect(page.get_by_text(re.compile("Orders marked as sent"))).to_be_visible()
    order = BloodOrder.objects.filter(state="sent").order_by("number").first()
    page.goto(live_server.url + reverse("supply:order", args=[order.number]))
    page.get_by_label(re.compile("Units confirmed, of")).fill("1")
    page.get_by_label("What was said; which need is not met").fill("one unit today, the rest on Thursday")
    page.get_by_role("button", name="Record the answer").click()
    expect(page.get_by_text("The answer is recorded.")).to_be_visible()


def test_axe_finds_nothing_on_the_pages_of_the_chairs(page_as, coordinator, unit, live_server):
    page = page_as(coordinator)
    for there in PAGES_OF_THE_CHAIRS:
        page.goto(live_server.url + there)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert faults_at_every_width(page) == []
    page.goto(f"{live_server.url}/diary/proposal/")
    page.get_by_role("button", name="Make a proposal").click()
    expect(page.get_by_text("Nothing is booked until you accept.")).to_be_visible()
    assert faults_at_every_width(page) == []


CELLS_OUT_OF_SIGHT = """table => [...table.querySelectorAll('tbody th, tbody td')]
    .filter(cell => cell.getBoundingClientRect().right > innerWidth + 1).map(cell => cell.innerText)"""
HEADS_OVER_THEIR_NEIGHBOUR = """row => [...row.querySelectorAll('th')].filter(head => head.getClientRects().length
    && getComputedStyle(head).overflowX === 'visible' && head.scrollWidth > head.clientWidth + 1)
    .map(head => head.innerText)"""


def test_on_a_phone_every_cell_of_a_proposal_and_of_the_orders_is_in_sight(page_as, coordinator, unit, live_server):
    page = page_as(coordinator)
    page.goto(f"{live_server.url}/diary/proposal/")
    page.get_by_role("button", name="Make a proposal").click()
    expect(page.get_by_text("Nothing is booked until you accept.")).to_be_visible()
    page.set_viewport_size({"width": 390, "height": 844})
    table = page.get_by_role("group", name="The places proposed").locator("table")
    assert table.evaluate(CELLS_OUT_OF_SIGHT) == []
    expect(table.get_by_role("button", name="Leave Larkspur, Ada out")).to_be_visible()
    page.goto(f"{live_server.url}/blood/")
    orders = page.get_by_role("region", name="Open orders by day").locator("table")
    expect(orders).to_contain_text("Mbaru, Ada")
    assert orders.evaluate(CELLS_OUT_OF_SIGHT) == []


def test_no_head_of_the_diary_lies_over_the_next(page_as, coordinator, unit, live_server):
    for n in range(10):
        patient = make_patient(f"L{n}", site=coordinator.site, family_name="Larkspur-Winterbourne")
        make_facts(make_exchange_session(patient))
        make_standing(patient, ModelFit.objects.get())
    page = page_as(coordinator)
    for width in (1440, 1024):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(f"{live_server.url}/diary/")
        heads = page.locator("table.dy thead tr").last
        expect(heads).to_contain_text("Larkspur-Winterbourne")
        assert heads.evaluate(HEADS_OVER_THEIR_NEIGHBOUR) == []
