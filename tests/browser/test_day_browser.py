"""The whole day of one person in a real browser, as nurse and as prescriber; a one-arm and an abandoned session."""

import re
from datetime import date, timedelta

import pytest
import time_machine
from django.contrib.auth.hashers import make_password
from playwright.sync_api import expect

from patients.models import Analyte, Consent, CrossmatchSample
from programme.planning import services as planner
from programme.planning.models import Suggestion
from sessions.day.models import Entry, FollowUp
from sessions.models import DonationUnit, ExchangeSession, ExchangeStep, SessionFacts
from tests.browsing import WIDTHS, faults_of, follow, pixels_beyond_the_window, too_small_for_a_thumb
from tests.chairside import (
    PIN,
    TABLET,
    bring_and_start_unit,
    carry_out,
    end_unit,
    enter_step,
    open_page,
    plan_and_sign,
    run_as_planned,
    seen,
    start,
)
from tests.day import sampled_day
from tests.factories import (
    NOW,
    TODAY,
    make_course,
    make_entry,
    make_facts,
    make_goals,
    make_measure,
    make_needs,
    make_patient,
    make_result,
    make_running,
    make_site,
    make_user,
)

SHORTEST_DAYS = 14  # between two sessions, as the site has it where nobody has set goals
WOBBLE = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def site(transactional_db):
    return make_site(name="Saltmarsh Day Unit")


@pytest.fixture
def nurse(site):
    return make_user(role="nurse", site=site, full_name="A. Fenwick")


@pytest.fixture
def second(site):
    pin = make_password(PIN)
    return make_user(role="nurse", site=site, username="b.quayle", full_name="B. Quayle", checking_pin=pin)


@pytest.fixture
def consultant(site):
    return make_user(role="consultant", site=site, full_name="R. Marsh")


@pytest.fixture
def patient(site):
    """One of four people planned by the programme itself: weighed and measured today, consent and sample in date."""
    found = []
    for n in range(4):
        someone = make_patient(f"R{n}", site=site, family_name="Larkspur", female=False)
        make_needs(someone)
        for k, done in enumerate(make_course(someone, sessions=9)):
            make_facts(
                done, hbs_before_pct=28.0 + WOBBLE[(k + n) % 8], hbs_after_pct=13.5 + WOBBLE[(k + 3 * n) % 8] / 2,
                hb_before_g_l=92 + 2 * WOBBLE[(k + 5 * n) % 8], hb_after_g_l=103 + 2 * WOBBLE[(k + 2 * n) % 8],
            )  # fmt: skip
        found.append(someone)
    patient = found[0]
    make_measure(patient, on=TODAY, weight_kg=60.0, height_cm=None)
    make_result(patient, analyte=Analyte.HB, value=94.0, taken_at=NOW - timedelta(hours=1))
    make_result(patient, analyte=Analyte.HBS, value=28.4, taken_at=NOW - timedelta(hours=1))
    Consent.objects.create(patient=patient, given_on=TODAY, valid_until=TODAY + timedelta(days=300))
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    planner.renew([someone.pk for someone in found], NOW)
    return patient


@pytest.fixture
def someone(site):
    """A person with a course and no results of today."""
    someone = make_patient("S1", site=site, family_name="Marram")
    make_needs(someone)
    make_course(someone)
    CrossmatchSample.objects.create(patient=someone, taken_at=NOW - timedelta(hours=20))
    return someone


def test_the_whole_day_from_the_plan_to_the_next_interval(page_as, live_server, patient, nurse, second, consultant):
    page, session, ended = run_as_planned(page_as, live_server, patient, nurse, second, consultant)
    plan = session.prescriptions.get()
    assert (session.state, session.units) == ("finished", plan.units)
    entered = [entry.body for entry in Entry.objects.filter(exchange_session=session, kind="moved")]
    assert session.blood_out_ml == sum(body["out_ml"] for body in entered)
    assert session.saline_in_ml + session.red_cells_in_ml == sum(body["in_ml"] for body in entered)
    # A step counts as done when no more than a bag may be short of is missing, so the plan is met to a twentieth.
    assert session.blood_out_ml == pytest.approx(sum(step["out_ml"] for step in plan.steps), rel=0.05)
    assert set(DonationUnit.objects.values_list("state", flat=True)) == {"given"}
    with time_machine.travel(ended + timedelta(minutes=70), tick=True):
        page.get_by_role("link", name="Sample and results").click()
        taken = (session.ended_at + timedelta(minutes=95)).strftime("%H:%M")  # 35 minutes after, in summer time
        page.get_by_label("Sample taken").fill(taken)
        page.get_by_role("textbox", name="Arm or line").fill("left arm")
        page.get_by_label("Hb after").fill("10.4")
        page.get_by_label("HbS after").fill(f"{plan.predicted['hbs'][0]:.1f}")
        page.get_by_role("button", name="Record it").click()
        expect(page.get_by_text("Hb after: 10.4 read as 104 g/L.")).to_be_visible()
        expect(page.locator(".pm")).to_contain_text("104")
        page.get_by_role("link", name="Going home").click()
        page.get_by_label("Systolic").fill("116")
        page.get_by_label("Blood drawn").fill("clinical waste")
        page.get_by_label("Leaflet on late reactions given").check()
        page.get_by_role("button", name="Record it").click()
        expect(page.get_by_role("button", name="Close the session")).to_be_visible()
        if page.get_by_label("Reason").count():
            page.get_by_label("Reason").fill("went home with a relative")
        page.get_by_role("button", name="Close the session").click()
        expect(page.locator(".crumb")).to_contain_text("Closed")
        # The next interval is there at once, from this end.
        facts = SessionFacts.objects.get(exchange_session=session)
        said = Suggestion.objects.get(patient=patient)
        patient.refresh_from_db()
        assert facts.hb_after_g_l == 104
        assert (said.status, said.data_version) == ("ok", patient.data_version)
        day = f"{said.next_date:%a} {said.next_date.day} {said.next_date:%b}"
        expect(page.locator(".nx")).to_contain_text(f"{day}, {(said.next_date - TODAY).days} days after this session")
        expect(page.get_by_role("link", name="Call about signs of a late reaction")).to_be_visible()
    assert FollowUp.objects.get(exchange_session=session).due_on == TODAY + timedelta(days=10)


@pytest.fixture
def child(site):
    """A girl of seven, 118 cm and 22 kg, weighed and measured today."""
    child = make_patient("C1", site=site, family_name="Wren", birth_date=date(2019, 3, 2), with_measure=False)
    make_needs(child)
    for day, weight in ((TODAY - timedelta(days=300), 20.0), (TODAY, 22.0)):
        make_measure(child, on=day, weight_kg=weight, height_cm=118)
    for done in make_course(child, sessions=9):
        done.weight_kg, done.units = 21.0, 3
        done.red_cells_in_ml, done.saline_in_ml, done.blood_out_ml = 700, 200, 900
        done.save()
        make_facts(done, hbs_before_pct=34.8, hbs_after_pct=18.0, hbs_ratio=0.55, blood_volume_ml=1500.0)
    make_result(child, analyte=Analyte.HB, value=92.0, taken_at=NOW - timedelta(hours=1))
    make_result(child, analyte=Analyte.HBS, value=28.9, taken_at=NOW - timedelta(hours=1))
    Consent.objects.create(patient=child, given_on=TODAY, valid_until=TODAY + timedelta(days=300))
    CrossmatchSample.objects.create(patient=child, taken_at=NOW - timedelta(hours=20))
    planner.renew([child.pk], NOW)
    return child


def test_a_child_is_planned_by_their_weight_and_carried_out(page_as, live_server, child, nurse, second, consultant):
    _, session, _ = run_as_planned(page_as, live_server, child, nurse, second, consultant)
    assert session.units == 2
    entered = [entry.body for entry in Entry.objects.filter(exchange_session=session, kind="moved")]
    assert max(body["out_ml"] for body in entered) <= 7.0 * 22.0  # the largest draw of a child, 7 mL/kg
    assert session.saline_in_ml <= 15.0 * 22.0
    of_units = {place: sum(body["in_ml"] for body in entered if body.get("unit") == place) for place in (1, 2)}
    assert sum(of_units.values()) == session.red_cells_in_ml
    assert max(of_units.values()) <= 1.1 * 258.0, "small bags are many, and no unit gives more than it holds"


ONE_ARM = [
    {"number": 1, "fluid": "saline", "units": [], "in_ml": 300, "out_ml": 300, "draws": [300], "why": "",
     "cells_hb_g_l": 0.0},
    {"number": 2, "fluid": "red_cells", "units": [1], "in_ml": 258, "out_ml": 250, "draws": [250], "why": "",
     "cells_hb_g_l": 194.0},
]  # fmt: skip


def begin_unit(session, nurse, minutes):
    """Unit 1 as its own page leaves it once it is started."""
    at = NOW + timedelta(minutes=minutes)
    DonationUnit.objects.filter(exchange_session=session, place=1).update(state="running", started_at=at)
    make_entry(session, "unit_started", {"unit": 1}, by=nurse, happened_at=at, received_at=at)


def test_through_one_arm_draw_and_infusion_stay_apart_in_the_record(page_as, live_server, someone, nurse, consultant):
    session = make_running(someone, by=consultant, units=1, steps=ONE_ARM, method="one_arm")
    ExchangeSession.objects.filter(pk=session.pk).update(method="one_arm")
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    for minutes, out, given in ((10, "300", ""), (20, "", "300"), (30, "250", ""), (50, "", "258")):
        with time_machine.travel(NOW + timedelta(minutes=minutes), tick=True):
            if given == "258":
                begin_unit(session, nurse, minutes)
            enter_step(page, live_server, session, out, given)
    with time_machine.travel(NOW + timedelta(minutes=60), tick=True):
        seen(session, nurse, 60)
        end_unit(page, live_server, session, 1)
        open_page(page, live_server, "finish", session)
        page.get_by_role("button", name="Finish the session").click()
        expect(page.get_by_text("by hand, one arm")).to_have_count(0)
        expect(page.locator(".lim")).to_contain_text("in 558 mL, out 550 mL")
    steps = ExchangeStep.objects.filter(exchange_session=session).order_by("number")
    assert [(step.in_ml, step.out_ml) for step in steps] == [(0, 300), (300, 0), (0, 250), (258, 0)]


def test_a_session_given_up_says_what_counts_and_what_follows(page_as, live_server, someone, nurse, consultant):
    session = make_running(someone, by=consultant)
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    for minutes in (10, 20, 40):
        with time_machine.travel(NOW + timedelta(minutes=minutes), tick=True):
            if minutes == 40:
                begin_unit(session, nurse, minutes)
            enter_step(page, live_server, session)
    DonationUnit.objects.filter(exchange_session=session, place=2).update(state="returned", end_reason="access failed")
    with time_machine.travel(NOW + timedelta(minutes=45), tick=True):
        page.get_by_role("link", name="Finish session").click()
        page.get_by_role("link", name="Give the session up").click()
        expect(page.get_by_text("stays, and counts for HbS and Hb")).to_be_visible()
        page.get_by_role("button", name="Abandon the session").click()
        expect(page.get_by_text("Why it is given up is needed.").first).to_be_visible()
        page.get_by_label("Why it is given up").fill("access failed, second arm refused")
        page.get_by_role("button", name="Abandon the session").click()
        expect(page.get_by_text("What was given until then counts.")).to_be_visible()
        expect(page.get_by_role("link", name="Call about signs of a late reaction")).to_be_visible()
    session.refresh_from_db()
    assert (session.state, session.red_cells_in_ml) == ("abandoned", 258)


def test_who_gave_up_half_way_through_one_arm_comes_back_while_it_is_safe(
    page_as, live_server, patient, nurse, second, consultant
):
    session = plan_and_sign(page_as, live_server, patient, nurse, consultant, one_arm=True)
    draw, unit = session.prescriptions.get().steps[:2]
    assert (draw["in_ml"], unit["out_ml"], unit["units"]) == (0, 0, [1])
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    start(page, live_server, session)
    with time_machine.travel(NOW + timedelta(minutes=5), tick=True):
        enter_step(page, live_server, session, f"{draw['out_ml'] + 100:.0f}", "")
        page.get_by_role("button", name="Undo last").click()
        expect(page.get_by_label("Out, this draw")).to_have_value(f"{draw['out_ml']:.0f}")
        enter_step(page, live_server, session)
        bring_and_start_unit(page, live_server, session, 1, second)
    with time_machine.travel(NOW + timedelta(minutes=40), tick=True):
        enter_step(page, live_server, session)
        end_unit(page, live_server, session, 1)
        open_page(page, live_server, "abandon", session)
        page.get_by_label("Why it is given up").fill("the cannula came out")
        follow(page.get_by_role("button", name="Abandon the session"))
        said = Suggestion.objects.get(patient=patient)
        expect(page.locator(".nx")).to_contain_text(f"{(said.next_date - TODAY).days} days after this session")
        assert 0 < (said.next_date - TODAY).days < SHORTEST_DAYS
        assert said.next_date <= said.latest_safe_date
        page.goto(live_server.url)
        expect(page.get_by_role("row", name=re.compile("Larkspur.*R0"))).to_contain_text("Arrange")
    session.refresh_from_db()
    assert (session.blood_out_ml, session.red_cells_in_ml) == (draw["out_ml"], unit["in_ml"])


@pytest.fixture
def flagged(patient):
    """The same person with a raised risk of stroke, one arm decided for them, and two units at most."""
    make_goals(patient, since=TODAY - timedelta(days=1), method="one_arm", units_most=2)
    patient.flag_brain = True
    patient.save()
    planner.renew([patient.pk], NOW)
    return patient


def by_hand(start_hb_g_l, start_hbs_pct, volume_l, volumes):
    """HbS [%] and settled Hb [g/L] after volumes (in, out, Hb of the fluid) one after the other, each mixed at once:
    own and donor haemoglobin in grams, thinned by what comes in and taken off as it stands in what goes out."""
    own, donor, litres = start_hb_g_l * volume_l, 0.0, volume_l
    for in_ml, out_ml, hb_g_l in volumes:
        donor, litres = donor + in_ml / 1000.0 * hb_g_l, litres + in_ml / 1000.0
        left = 1.0 - out_ml / 1000.0 / litres
        own, donor, litres = own * left, donor * left, litres - out_ml / 1000.0
    return start_hbs_pct * own / (own + donor), (own + donor) / volume_l


def measured_at_eight(page, live_server, patient):
    """From the list to today's plan: weight, Hb and HbS of the morning, and the plan made from them."""
    page.goto(live_server.url)
    follow(page.get_by_role("row", name=re.compile("Larkspur.*R0")).get_by_role("link").first)
    follow(page.get_by_role("link", name="Plan of the next session"))
    follow(page.get_by_role("button", name="Plan this session for today"))
    page.get_by_label("Changed something? Say why").fill("measured this morning")
    page.get_by_label("weighed today").check()
    for label, value in (("Hb before", "9.3"), ("HbS before", "29.0"), ("Blood taken", "09:00"), ("Weight", "61")):
        page.get_by_label(label, exact=True).fill(value)
    expect(page.locator("#day-lede")).to_contain_text("weight 61.0")  # what is typed is worked out
    follow(page.get_by_role("button", name="Make the plan again"))
    return ExchangeSession.objects.get(patient=patient, state="planned")


def one_row_of_both(page, live_server, session):
    """The consultant puts the first unit and its draw into one row, and signs what becomes of it."""
    open_page(page, live_server, "plan", session)
    drawn = page.get_by_label("out, mL, step 2", exact=True).input_value()
    page.get_by_label("Changed something? Say why").fill("the same in one row")
    page.get_by_role("button", name="take step 2 out").click()
    expect(page.locator("#day-lede")).to_contain_text("Against plan 2: blood out")
    page.get_by_label("out, mL, step 1", exact=True).fill(drawn)
    expect(page.locator("#day-lede")).to_contain_text("The same as plan 2.")
    follow(page.get_by_role("button", name="Keep these steps"))
    expect(page.locator("#day-result")).to_contain_text("given first, drawn after")
    for box in page.locator("input[name^=reason-]").all():
        box.fill("agreed")
    follow(page.get_by_role("button", name="Authorise this plan"))
    expect(page.locator("main")).to_contain_text("by hand, one arm, session authorised")


def first_unit(page, live_server, session, second):
    """Unit 1: entered too large and undone, entered, a pause, and its end."""
    expect(page.locator("#nowdo")).to_have_text(re.compile(r"Give unit 1, 258 mL\."))
    bring_and_start_unit(page, live_server, session, 1, second)
    open_page(page, live_server, "run", session)
    page.get_by_label("Out, this draw").fill("260")
    page.locator("#in_ml").fill("")
    expect(page.locator("#ahead")).to_contain_text("260 mL drawn ahead; with this flag it is given first.")
    enter_step(page, live_server, session, "", "285")
    page.get_by_role("button", name="Undo last").click()
    expect(page.locator("#in_ml")).to_have_value("258")
    enter_step(page, live_server, session)
    page.get_by_role("link", name="Pause").click()
    pause = page.get_by_role("dialog", name="Pause")
    pause.get_by_label("Why").fill("headache, better at once")
    pause.get_by_role("button", name="Pause").click()
    expect(page.locator("#now")).to_contain_text("Next would be: Draw.")
    page.get_by_role("button", name="Go on").click()
    expect(page.locator("#nowdo")).to_have_text(re.compile(r"Draw \d+ mL\."))
    end_unit(page, live_server, session, 1)


def test_the_day_of_somebody_with_a_flag_through_one_arm(page_as, live_server, flagged, nurse, second, consultant):
    """From the list to closing: at no moment is more drawn than was given, but for what rounding leaves."""
    session = measured_at_eight(page_as(nurse), live_server, flagged)
    one_row_of_both(page_as(consultant), live_server, session)
    plan = session.prescriptions.get(authorised_at__isnull=False)
    assert [(step["in_ml"] > 0, step["out_ml"] > 0) for step in plan.steps[:2]] == [(True, False), (False, True)]
    assert min(step["balance_ml"] for step in plan.steps) > -20.0
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    start(page, live_server, session)
    expect(page.locator(".rt")).to_contain_text("flag cerebrovascular")
    with time_machine.travel(NOW + timedelta(minutes=2), tick=True):
        first_unit(page, live_server, session, second)
    _, ended = carry_out(page, live_server, session, nurse, second)
    done = list(ExchangeStep.objects.filter(exchange_session=session).order_by("number"))
    volumes = [(step.in_ml, step.out_ml, step.cells_hb_g_l or 0.0) for step in done]
    balances = [sum(given - drawn for given, drawn, _ in volumes[:n]) for n in range(1, len(volumes) + 1)]
    assert min(balances) > -20.0
    hbs, hb = by_hand(93.0, 29.0, plan.mixing_volume_ml / 1000.0, volumes)
    with time_machine.travel(ended + timedelta(minutes=70), tick=True):
        open_page(page, live_server, "after", session)
        expect(page.locator(".lede").first).to_contain_text(f"HbS 29.0 should now be near {hbs:.1f} %")
        expect(page.get_by_role("row", name=re.compile("^Hb after, settled"))).to_contain_text(f"{hb:.0f}")
        follow(page.get_by_role("link", name="Sample and results"))
        page.get_by_label("Sample taken").fill((session.ended_at + timedelta(minutes=95)).strftime("%H:%M"))
        page.get_by_role("textbox", name="Arm or line").fill("left hand, fresh puncture")
        page.get_by_label("Hb after").fill(f"{hb / 10.0:.1f}")
        page.get_by_label("HbS after").fill(f"{hbs:.1f}")
        follow(page.get_by_role("button", name="Record it"))
        follow(page.get_by_role("link", name="Going home"))
        page.get_by_label("Systolic").fill("118")
        page.get_by_label("Blood drawn").fill("clinical waste")
        page.get_by_label("Leaflet on late reactions given").check()
        follow(page.get_by_role("button", name="Record it"))
        if page.get_by_label("Reason").count():
            page.get_by_label("Reason").fill("went home with a relative")
        follow(page.get_by_role("button", name="Close the session"))
        expect(page.locator(".crumb")).to_contain_text("Closed")
    session.refresh_from_db()
    assert (session.state, session.units, session.method) == ("closed", plan.units, "one_arm")


def test_the_page_after_is_without_fault_and_as_wide_as_its_window(page_as, live_server, someone, nurse, consultant):
    session = sampled_day(someone, nurse=nurse, consultant=consultant, hb_g_l=118.0, hbs_pct=28.0)
    page = page_as(nurse)
    for name in ("after", "sample", "going_home", "put_right", "recheck"):
        open_page(page, live_server, name, session)
        for width in WIDTHS:
            assert pixels_beyond_the_window(page, width) <= 0, (name, width)
            assert faults_of(page) == [], (name, width)
    page.set_viewport_size(TABLET)
    for name in ("after", "sample", "going_home", "put_right", "recheck", "unit_given"):
        open_page(page, live_server, name, session)
        assert page.locator("main .btn:visible").count() >= 2
        assert too_small_for_a_thumb(page) == [], name
    open_page(page, live_server, "after", session)
    expect(page.locator(".side").get_by_text("not entered").first).to_be_visible()  # why a line is open
    for path in ("consent/", "crossmatch/", "measure/"):
        page.goto(f"{live_server.url}/people/{someone.patient_ref}/{path}")
        expect(page.get_by_role("link", name="Leave without saving")).to_be_visible()
        assert too_small_for_a_thumb(page) == [], path


def test_a_session_is_closed_without_script(browser, live_server, someone, nurse, consultant):
    session = sampled_day(someone, nurse=nurse, consultant=consultant)
    from tests.conftest import client_of  # noqa: PLC0415 -- with the browser's driver running

    cookie = next(iter(client_of(nurse).cookies.values()))
    with browser.new_context(java_script_enabled=False) as context:
        context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
        page = context.new_page()
        open_page(page, live_server, "after", session)
        page.get_by_role("button", name="Close the session").click()
        expect(page.get_by_text("Not closed. Say why it is closed although this stands")).to_be_visible()
        page.get_by_label("Reason").fill("went home against advice")
        page.get_by_role("button", name="Close the session").click()
        expect(page.locator(".crumb")).to_contain_text("Closed")
    session.refresh_from_db()
    assert session.state == "closed"


def put_right_last(page, *, out):
    """Put the blood drawn with the last unit right, on the page where volumes are."""
    volumes = page.get_by_label("Which volume")
    volumes.select_option(volumes.get_by_role("option", name="unit 3").get_attribute("value"))
    page.get_by_label("In", exact=True).fill("258")
    page.get_by_label("Out", exact=True).fill(out)
    page.get_by_label("Why").fill("weighed again")
    follow(page.get_by_role("button", name="Put it right"))


def test_a_closed_session_is_opened_by_the_consultant_put_right_and_closed_again(
    page_as, live_server, someone, nurse, consultant
):
    """By hand: 774 mL red cells and 300 mL saline in, 1,060 mL out; with 100 mL more out the balance is −86 mL."""
    session = sampled_day(someone, nurse=nurse, consultant=consultant)
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    open_page(page, live_server, "after", session)
    page.get_by_label("Reason").fill("went home against advice")
    follow(page.get_by_role("button", name="Close the session"))
    expect(page.get_by_role("link", name="Open it again")).to_have_count(0)
    open_page(page, live_server, "put_right", session)
    put_right_last(page, out="350")
    expect(page.locator("main")).to_contain_text("a consultant can open a closed one again")
    before = SessionFacts.objects.get(exchange_session=session).share_of_ideal
    page = page_as(consultant)
    open_page(page, live_server, "after", session)
    follow(page.get_by_role("link", name="Open it again"))
    page.get_by_label("Reason").fill("the last bag was written down short")
    follow(page.get_by_role("button", name="Open it again"))
    expect(page.locator("main")).to_contain_text("It counts as it is now, and is closed again once it is right.")
    page = page_as(nurse)
    open_page(page, live_server, "put_right", session)
    put_right_last(page, out="350")
    expect(page.locator("main")).to_contain_text("in 1,074 mL, out 1,160 mL")
    expect(page.locator("main")).to_contain_text("in less out is −86 mL")
    page.get_by_label("Reason").fill("went home against advice")
    follow(page.get_by_role("button", name="Close the session"))
    expect(page.locator(".crumb")).to_contain_text("Closed")
    expect(page.locator("main")).to_contain_text("It was closed again since. What it said before stays in the trail.")
    session.refresh_from_db()
    facts, now_on = SessionFacts.objects.get(exchange_session=session), Suggestion.objects.filter(patient=someone)
    assert (session.state, session.blood_out_ml) == ("closed", 1160)
    assert facts.share_of_ideal < before, "as little HbS gone for more blood drawn"
    someone.refresh_from_db()
    assert [one.data_version for one in now_on] == [someone.data_version]
    page.goto(f"{live_server.url}/people/{someone.patient_ref}/")
    expect(page.get_by_role("row", name=re.compile("Mon 1 Jun 2026"))).to_contain_text("1,160")
