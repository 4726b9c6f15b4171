"""An automated session in a real browser: no touch by hand, totals once, also with the network cut, to its closing."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import expect

from sessions.day.models import Entry, Prescription
from sessions.day.queries import tally_of
from sessions.models import DonationUnit, SessionFacts
from tests.browsing import follow
from tests.day import MACHINE_UNITS, automated_day
from tests.factories import make_antibody, make_needs, make_patient, make_site, make_user

TABLET = {"width": 1024, "height": 768}
PHONE = {"width": 390, "height": 844}
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def nurse(transactional_db):
    return make_user(site=make_site(name="Saltmarsh Day Unit"), full_name="A. Fenwick")


@pytest.fixture
def machine(nurse):
    """Two units given, the third being given, no totals."""
    patient = make_patient("R7", site=nurse.site, family_name="Larkspur", given_name="Ines")
    make_needs(patient)
    make_antibody(patient, "anti-E", found_year=2014)
    signer = make_user(site=nurse.site, role="consultant", username="r.marsh", full_name="R. Marsh")
    entries = tuple(one for one in MACHINE_UNITS if one != ("unit_ended", {"unit": 3}, 131))
    session = automated_day(patient, nurse=nurse, consultant=signer, entries=entries)
    DonationUnit.objects.filter(place__in=(1, 2)).update(state="given")
    return session


@pytest.fixture
def tablet(page_as, nurse, machine, live_server):
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    page.goto(live_server.url + reverse("bedside:run", args=["R7", machine.pk]))
    return page


def end_the_last_unit(page):
    page.get_by_role("button", name="End unit 3").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Every unit is over")


def fill_totals(page, **changed):
    page.get_by_role("link", name="Enter the totals").click()
    box = page.get_by_role("dialog")
    typed = {
        "Saline in": "200", "Red cells in": "774", "Blood out": "980", "Red cell units": "3", "Started": "06:05",
        "Ended": "08:11", "End figures": "end haematocrit 0.31", **changed,
    }  # fmt: skip
    for label, value in typed.items():
        box.get_by_label(label).fill(value)
    box.get_by_role("button", name="Enter the totals").click()


def test_units_end_and_totals_are_entered_beside_the_plan(tablet, machine):
    page = tablet
    expect(page.get_by_role("heading", level=1)).to_have_text("Unit 3 of 3 is being given")
    assert page.locator("#entry, #weigh, #step").count() == 0
    end_the_last_unit(page)
    fill_totals(page, Ended="soon")
    assert page.locator("#totals input:invalid").count() == 1  # asked of the hand that types; nothing is sent
    assert not Entry.objects.filter(kind="totals").exists()
    page.get_by_role("dialog").get_by_label("Ended").fill("08:11")
    page.get_by_role("dialog").get_by_role("button", name="Enter the totals").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Totals are entered")
    expect(page.locator("#steps")).to_contain_text("end haematocrit 0.31")
    assert tally_of(machine).totals.blood_out_ml == 980
    page.get_by_role("link", name="Finish session").click()
    expect(page.get_by_role("heading", name="Before it can be finished")).to_be_visible()


def test_more_red_cells_than_the_labels_say_are_asked_about_before_and_after_they_are_entered(tablet, machine):
    # By hand: three units of 258 mL are 774 mL, and a tenth more 851.4.
    page = tablet
    end_the_last_unit(page)
    page.get_by_role("link", name="Enter the totals").click()
    cells = page.get_by_role("dialog").get_by_label("Red cells in")
    cells.fill("851")
    expect(page.locator("#totalsask")).to_have_text("")
    cells.fill("5160")
    says = "5,160 mL of 3 units, 1,720 mL each, is more than the 774 mL on their labels"
    expect(page.locator("#totalsask")).to_contain_text(f"{says}. Enter it only if")
    page.get_by_role("dialog").get_by_role("button", name="Close").click()
    fill_totals(page, **{"Red cells in": "5160"})
    expect(page.locator("#given")).to_contain_text(says)
    assert tally_of(machine).totals.red_cells_in_ml == 5160


def test_totals_typed_while_the_network_is_cut_are_kept_and_sent_once(tablet, machine, console_errors):
    page = tablet
    end_the_last_unit(page)
    page.context.set_offline(True)
    fill_totals(page)
    expect(page.locator("#queue")).to_contain_text("red cells 774 of 3 units, blood out 980 mL")
    page.context.set_offline(False)
    expect(page.get_by_role("heading", level=1)).to_have_text("Totals are entered")
    assert Entry.objects.filter(kind="totals").count() == 1
    console_errors.clear()  # the browser itself says that the network was cut


@pytest.mark.parametrize("size", [TABLET, PHONE], ids=["tablet", "phone"])
def test_what_is_pressed_is_large_enough_and_axe_finds_nothing(tablet, size):
    page = tablet
    page.set_viewport_size(size)
    small = page.eval_on_selector_all(
        "#board .btn",
        "all => all.filter((b) => b.offsetParent && b.getBoundingClientRect().height < 47.5).map((b) => b.textContent)",
    )
    assert small == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    found = Axe().run(page).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]][:2]) for one in found] == []


def undo_newest(page):
    page.get_by_role("link", name="Entries").click()
    page.get_by_role("dialog").get_by_role("button", name="Undo").first.click()


def test_totals_put_right_carry_the_session_to_its_closing_and_every_page_says_the_same(tablet, machine):
    """By mass, by hand: 3 units of 50 g into 4 L at Hb 94 and level leave 34 % × e^(−150/376) = 22.8 %."""
    Prescription.objects.update(predicted={"hb_settled": [94.0, 88.0, 100.0], "hbs": [22.8, 20.0, 25.0]})
    page = tablet
    end_the_last_unit(page)
    fill_totals(page, **{"Red cell units": "4", "Blood out": "4100"})
    expect(page.locator("#board")).to_contain_text("By the totals 4,100 mL of blood are out; 3,500 mL is the most.")
    follow(page.get_by_role("link", name="Finish session"))
    follow(page.get_by_role("button", name="Finish the session"))
    expect(page.locator("main")).to_contain_text("the totals say 4 units, 3 were started here")
    follow(page.get_by_role("link", name="Back to the session"))
    undo_newest(page)
    expect(page.get_by_role("heading", level=1)).to_have_text("Every unit is over")
    fill_totals(page)
    expect(page.get_by_role("heading", level=1)).to_have_text("Totals are entered")
    expect(page.locator("#board")).not_to_contain_text("is the most")
    follow(page.get_by_role("link", name="Finish session"))
    follow(page.get_by_role("button", name="Finish the session"))
    expect(page.locator("main")).to_contain_text("HbS 34.0 should now be near 22.8 %")
    follow(page.get_by_role("link", name="Sample and results"))
    for label, value in (("Sample taken", "08:45"), ("Hb after", "96"), ("HbS after", "23.1")):
        page.get_by_label(label).fill(value)
    page.get_by_role("textbox", name="Arm or line").fill("left arm")
    follow(page.get_by_role("button", name="Record it"))
    page.get_by_label("Reason").fill("went home by ambulance")
    follow(page.get_by_role("button", name="Close the session"))
    expect(page.locator(".crumb")).to_contain_text("Closed")
    line = "saline 200, red cells 774 mL of 3 units, blood out 980 mL"
    expect(page.locator("main")).to_contain_text(line)
    expect(page.locator("main")).to_contain_text("HbS 34.0 to 23.1 %, forecast 22.8")
    machine.refresh_from_db()
    done = (machine.state, machine.units, machine.saline_in_ml, machine.red_cells_in_ml, machine.blood_out_ml)
    assert done == ("closed", 3, 200, 774, 980)
    facts = SessionFacts.objects.get(exchange_session=machine)
    assert (facts.hbs_after_pct, facts.hb_after_g_l) == (23.1, 96.0)
    page.goto(page.url.split("/day/")[0] + "/")
    row = page.get_by_role("row", name=re.compile("Mon 1 Jun 2026"))
    expect(row).to_contain_text("23.1")
    expect(row).to_contain_text("980")
