"""The steps of a day of exchange as a browser takes them: planned, signed, started, carried out at the chair."""

import re
from datetime import timedelta

import time_machine
from django.urls import reverse
from playwright.sync_api import expect

from sessions.day.numeric.donation_number import check_character
from sessions.models import ExchangeSession
from tests.browsing import follow
from tests.factories import NOW, make_entry

PIN = "583926"
TABLET = {"width": 1024, "height": 768}


def open_page(page, live_server, name, session):
    page.goto(live_server.url + reverse(f"bedside:{name}", args=[session.patient.patient_ref, session.pk]))


def plan_and_sign(page_as, live_server, patient, nurse, consultant, *, one_arm=False):
    page = page_as(nurse)
    page.goto(f"{live_server.url}/people/{patient.patient_ref}/plan/")
    if one_arm:
        follow(page.get_by_role("link", name="Plan it through one arm"))
    page.get_by_role("button", name="Plan this session for today").click()
    expect(page.locator("#day-form")).to_be_visible()
    session = ExchangeSession.objects.get(patient=patient, state="planned")
    page = page_as(consultant)
    open_page(page, live_server, "plan", session)
    for box in page.locator("input[name^=reason-]").all():
        box.fill("agreed, as in earlier sessions")
    page.get_by_role("button", name="Authorise this plan").click()
    expect(page.get_by_text(re.compile(r"Plan \d is signed\. It is")).first).to_be_visible()
    session.refresh_from_db()
    assert session.state == "authorised"
    return session


def start(page, live_server, session):
    open_page(page, live_server, "start", session)
    page.get_by_role("radio", name="yes", exact=True).first.check()
    page.get_by_label("Wristband").fill(session.patient.patient_ref)
    page.get_by_role("radio", name="in and tested").check()
    page.get_by_role("radio", name="none", exact=True).check()
    page.get_by_role("radio", name="none to hold").check()
    for label, value in (("Systolic", "118"), ("Diastolic", "72"), ("Pulse", "80"), ("Temperature", "36.8")):
        page.get_by_label(label).fill(value)
    page.get_by_role("button", name="Start the session").click()
    expect(page.locator("#board")).to_be_visible()


def bring_and_start_unit(page, live_server, session, place, colleague):
    """Bring one unit, let two people check it, start it."""
    number = f"Z9990260005{place:02d}"
    shown = number + check_character(number)
    open_page(page, live_server, "unit_add", session)
    page.get_by_label("Donation number").fill(shown)
    page.get_by_label("Group of the unit").select_option("O+")
    page.get_by_label("Expiry").fill("20 Jun 2026")
    for box in page.get_by_role("group", name="Stated negative").get_by_role("checkbox").all():
        box.check()
    page.get_by_label("HbS of the unit").select_option("yes")
    page.get_by_label("Volume").fill("258")
    page.get_by_role("button", name="Match it").click()
    expect(page.get_by_label("The unit in your hand")).to_be_visible()
    page.get_by_label("Name and birth date asked").check()
    page.get_by_label("Wristband").fill(session.patient.patient_ref)
    page.get_by_label("The unit in your hand").fill(shown)
    page.get_by_label("Second checker").select_option(label=colleague.full_name)
    page.get_by_label("Their PIN or password").fill(PIN)
    page.get_by_role("button", name=re.compile("check|sign", re.IGNORECASE)).last.click()
    page.get_by_role("button", name=f"Start unit {place}").click()
    expect(page.get_by_role("button", name=re.compile(f"End.* unit {place}$"))).to_be_visible()


def end_unit(page, live_server, session, place):
    open_page(page, live_server, "units", session)
    button = page.get_by_role("button", name=re.compile(f"End.* unit {place}$"))
    follow(button)
    expect(button).to_have_count(0)


def seen(session, nurse, minutes):
    """A set of observations as the page at the chair keeps it."""
    at = NOW + timedelta(minutes=minutes)
    body = {"moment": "interval", "bp_sys": 116, "bp_dia": 71, "pulse": 78}
    make_entry(session, "observation", body, by=nurse, happened_at=at, received_at=at)


def enter_step(page, live_server, session, out=None, given=None):
    """Enter what stands ready at the chair, or `out` and `given`; start first the unit that is to be given."""
    open_page(page, live_server, "run", session)
    start_unit = page.get_by_role("button", name=re.compile("^Start unit"))
    if start_unit.count():
        follow(start_unit)
        open_page(page, live_server, "run", session)
    if out is not None:
        page.get_by_label("Out, this draw").fill(out)
        page.locator("#in_ml").fill(given)
    before = page.locator("#board").get_attribute("data-last")
    page.get_by_role("button", name="Enter", exact=True).click()
    expect(page.locator("#board")).not_to_have_attribute("data-last", before)
    expect(page.locator("#saved")).to_contain_text("on the server")


def carry_out(page, live_server, session, nurse, second):
    """Each stroke of the plan in its order, then the end; a unit is brought, checked by two and started before anything
    of it goes in. Returns how many units were given, and when the session ended."""
    minutes, running = 5, 0
    for _ in range(60):
        with time_machine.travel(NOW + timedelta(minutes=minutes), tick=True):
            open_page(page, live_server, "run", session)
            title = page.get_by_role("heading", level=1).inner_text()
            if title == "Every step is done":
                break
            seen(session, nurse, minutes)
            unit = re.search(r"unit (\d+)", title)
            if unit and int(unit[1]) != running:
                if running:
                    end_unit(page, live_server, session, running)
                running = int(unit[1])
                bring_and_start_unit(page, live_server, session, running, second)
            enter_step(page, live_server, session)
        minutes += 12
    ended = NOW + timedelta(minutes=minutes)
    with time_machine.travel(ended, tick=True):
        seen(session, nurse, minutes)
        end_unit(page, live_server, session, running)
        open_page(page, live_server, "run", session)
        page.get_by_role("link", name="Finish session").click()
        expect(page.get_by_text("Before it can be finished")).to_be_visible()
        page.get_by_role("button", name="Finish the session").click()
        expect(page.get_by_text("The sample may be taken from")).to_be_visible()
    session.refresh_from_db()
    return running, ended


def run_as_planned(page_as, live_server, patient, nurse, second, consultant):
    """Plan, sign, start and carry out; returns the nurse's page, the session and when it ended."""
    session = plan_and_sign(page_as, live_server, patient, nurse, consultant)
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    start(page, live_server, session)
    given, ended = carry_out(page, live_server, session, nurse, second)
    assert given == session.prescriptions.get().units
    return page, session, ended
