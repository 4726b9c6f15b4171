"""A series of two days in a real browser: the first carried out and closed, the second planned anew and signed."""

import math
import re
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from playwright.sync_api import expect

from patients.models import Analyte, Consent, CrossmatchSample
from programme.planning import services as planner
from sessions.models import ExchangeSession
from tests.browsing import WIDTHS, faults_of, follow, pixels_beyond_the_window
from tests.chairside import TABLET, open_page, plan_and_sign, seen, start
from tests.factories import (
    NOW,
    TODAY,
    make_chair,
    make_course,
    make_entry,
    make_facts,
    make_goals,
    make_measure,
    make_needs,
    make_open_week,
    make_patient,
    make_result,
    make_site,
    make_unit,
    make_user,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]
TOMORROW, NEXT_MORNING = TODAY + timedelta(days=1), NOW + timedelta(days=1)
WOBBLE = (0.0, 1.2, -0.8, 0.5)
UNIT_HB_G_L = 1000.0 * 50.0 / 258.0


@pytest.fixture
def site(transactional_db):
    site = make_site(name="Saltmarsh Day Unit")
    make_open_week(site)
    make_chair(site)
    return site


@pytest.fixture
def nurse(site):
    return make_user(role="nurse", site=site, full_name="A. Fenwick")


@pytest.fixture
def consultant(site):
    return make_user(role="consultant", site=site, full_name="R. Marsh")


@pytest.fixture
def coordinator(site):
    return make_user(role="coordinator", site=site, full_name="M. Orchard")


@pytest.fixture
def patient(site):
    """Somebody who may have one unit a day and is to end at 22 %: one session cannot bring them there."""
    patient = make_patient("R0", site=site, family_name="Larkspur", female=False)
    make_needs(patient)
    make_goals(patient, since=TODAY - timedelta(days=30), units_most=1, end_target_hbs_pct=22.0)
    for k, done in enumerate(make_course(patient, sessions=9)):
        make_facts(done, hbs_before_pct=31.0 + WOBBLE[k % 4], hbs_after_pct=22.0 + WOBBLE[(k + 1) % 4] / 2,
                   hb_before_g_l=94 + WOBBLE[k % 4], hb_after_g_l=99)  # fmt: skip
    make_measure(patient, on=TODAY, weight_kg=60.0, height_cm=None)
    for analyte, value in ((Analyte.HB, 94.0), (Analyte.HBS, 28.4)):
        make_result(patient, analyte=analyte, value=value, taken_at=NOW - timedelta(hours=1))
    Consent.objects.create(patient=patient, given_on=TODAY, valid_until=TODAY + timedelta(days=300))
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    planner.renew([patient.pk], NOW)
    return patient


def enter(session, nurse, kind, body, minutes):
    at = NOW + timedelta(minutes=minutes)
    make_entry(session, kind, body, by=nurse, happened_at=at, received_at=at)


def entered_at_the_chair(session, nurse, consultant):
    """The steps of the plan as the page at the chair keeps them, each in one entry; returns the minute of the last."""
    minutes = 5
    for step in session.prescriptions.get().steps:
        unit = {"unit": 1} if step["units"] else {}
        if unit:
            make_unit(session, place=1, state="running", donation_number="G100026000101", abo="O", rhd="+",
                      volume_ml=258, first_checker=nurse, second_checker=consultant, checked_at=NOW)  # fmt: skip
            enter(session, nurse, "unit_started", unit, minutes)
            seen(session, nurse, minutes + 15)
        minutes += 30
        moved = {"step": step["number"], "in_ml": step["in_ml"], "out_ml": step["out_ml"], **unit}
        enter(session, nurse, "moved", moved, minutes)
    enter(session, nurse, "unit_ended", {"unit": 1}, minutes + 1)
    seen(session, nurse, minutes + 2)
    return minutes + 3


def finish_and_close(page, live_server, session, ended):
    """Hb 97 g/L and HbS 25.9 % after it; sent home and closed."""
    with time_machine.travel(ended, tick=True):
        open_page(page, live_server, "finish", session)
        follow(page.get_by_role("button", name="Finish the session"))
    with time_machine.travel(ended + timedelta(minutes=70), tick=True):
        follow(page.get_by_role("link", name="Sample and results"))
        page.get_by_label("Sample taken").fill(
            f"{(ended + timedelta(minutes=40)).astimezone(ZoneInfo(session.patient.site.time_zone)):%H:%M}"
        )
        page.get_by_role("textbox", name="Arm or line").fill("left arm")
        page.get_by_label("Hb after").fill("97")
        page.get_by_label("HbS after").fill("25.9")
        follow(page.get_by_role("button", name="Record it"))
        expect(page.get_by_text("to end at 22.0 % or lower, the next on Tue 2 Jun")).to_be_visible()
        expect(page.get_by_text("A prescriber decides from what is measured")).to_be_visible()
        page.get_by_label("Reason").fill("comes again tomorrow")
        follow(page.get_by_role("button", name="Close the session"))
        expect(page.locator(".crumb")).to_contain_text("Closed")


def book_tomorrow(page, live_server, units):
    """The coordinator books the day that was foreseen; blood for it is asked for as foreseen."""
    page.goto(f"{live_server.url}/people/R0/places/")
    expect(page.get_by_text("foreseen from Mon 1 Jun on: then Tue 2 Jun")).to_be_visible()
    page.get_by_role("radio", name=re.compile("Tue 2 Jun")).first.check()
    follow(page.get_by_role("button", name="Book this place"))
    page.goto(f"{live_server.url}/blood/")
    row = page.get_by_role("row", name=re.compile("Larkspur"))
    expect(row.locator("td").nth(2)).to_have_text(str(units))


def well_mixed(plan):
    """HbS and Hb after level steps in a well-mixed volume: what is left is e^(-v/V) (Reverberi R, Reverberi L, Blood
    Transfus 2007;5:164-74)."""
    hb, own = plan.hb_g_l, plan.hb_g_l * plan.hbs_pct / 100.0
    for step in plan.steps:
        left = math.exp(-step["out_ml"] / plan.mixing_volume_ml)
        fluid = UNIT_HB_G_L if step["fluid"] == "red_cells" else 0.0
        hb, own = fluid + (hb - fluid) * left, own * left
    return 100.0 * own / hb, hb


def test_the_second_day_of_a_series_is_planned_anew_from_what_is_measured(
    page_as, live_server, patient, nurse, consultant, coordinator
):
    session = plan_and_sign(page_as, live_server, patient, nurse, consultant)
    first = session.prescriptions.get()
    series = first.predicted["series"]
    assert [row["date"] for row in series[:2]] == [TODAY.isoformat(), TOMORROW.isoformat()]
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    start(page, live_server, session)
    ended = NOW + timedelta(minutes=entered_at_the_chair(session, nurse, consultant))
    finish_and_close(page, live_server, session, ended)
    with time_machine.travel(ended + timedelta(minutes=90), tick=True):
        book_tomorrow(page_as(coordinator), live_server, series[1]["units"])
    with time_machine.travel(NEXT_MORNING, tick=True):
        page = page_as(nurse)
        page.goto(f"{live_server.url}/people/R0/plan/")
        follow(page.get_by_role("button", name="Plan this session for today"))
        page.get_by_label("Hb before").fill("95")
        page.get_by_label("HbS before").fill("26.6")
        page.get_by_role("button", name="Make the plan again from these figures").click()
        expect(page.locator(".crumb")).to_contain_text("Plan 2")
        second = ExchangeSession.objects.get(patient=patient, on=TOMORROW).prescriptions.get(number=2)
        assert (second.hb_g_l, second.hbs_pct, second.hbs_is_forecast) == (95.0, 26.6, False)
        hbs, hb = well_mixed(second)
        assert second.predicted["hbs"][0] == pytest.approx(hbs, abs=0.15)
        assert second.predicted["hb"][0] == pytest.approx(hb, abs=0.6)
        said = page.locator("#day-lede")
        expect(said).to_contain_text("Against what the plan of Mon 1 Jun foresaw for this further session:")
        expect(said).to_contain_text(f"HbS before 26.6 instead of {series[1]['hbs_before_pct']:.1f} %")
        for width in WIDTHS:
            assert pixels_beyond_the_window(page, width) <= 0, width
        page.set_viewport_size(TABLET)
        assert faults_of(page) == []
        page = page_as(consultant)
        open_page(page, live_server, "plan", second.exchange_session)
        for box in page.locator("input[name^=reason-]").all():
            box.fill("agreed, as yesterday")
        page.get_by_role("button", name="Authorise this plan").click()
        expect(page.get_by_text(re.compile(r"Plan 2 is signed\. It is")).first).to_be_visible()
        page.goto(f"{live_server.url}/blood/")
        expect(page.get_by_role("row", name=re.compile("Larkspur")).locator("td").nth(2)).to_have_text(
            str(second.units)
        )
