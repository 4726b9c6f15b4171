"""The bedside page in a real browser: by touch and keyboard, with the network cut, and with two tablets at once."""

import re
import time
from contextlib import contextmanager
from datetime import date, timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import expect

from patients.models import Consent, CrossmatchSample
from sessions.day.models import Entry
from sessions.day.queries import tally_of
from sessions.models import DonationUnit, ExchangeSession
from tests.browsing import (
    PATIENCE_MS,
    faults_at_every_width,
    nothing_is_kept_in_the_browser,
    too_small_for_a_thumb,
    until,
)
from tests.conftest import client_of
from tests.factories import (
    NOW,
    TODAY,
    make_entry,
    make_exchange_session,
    make_measure,
    make_needs,
    make_patient,
    make_prescription,
    make_running,
    make_site,
    make_site_setting,
    make_unit,
    make_user,
)

TABLET = {"width": 1024, "height": 768}
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def nurse(transactional_db):
    return make_user(site=make_site(name="Saltmarsh Day Unit"), full_name="A. Fenwick")


@pytest.fixture
def second(nurse):
    return make_user(site=nurse.site, username="second.nurse", full_name="B. Quayle")


@pytest.fixture
def running(nurse):
    signed_by = make_user(site=nurse.site, role="consultant", full_name="R. Marsh")
    return make_running(make_patient("R7", site=nurse.site, family_name="Larkspur"), by=signed_by, unit_state="running")


@pytest.fixture
def there(running, live_server):
    return live_server.url + reverse("bedside:run", args=["R7", running.pk])


def cookie_of(user, live_server):
    cookie = client_of(user).cookies[settings.SESSION_COOKIE_NAME]
    return {"name": cookie.key, "value": cookie.value, "url": live_server.url}


@pytest.fixture
def tablet(page_as, nurse, there):
    """The page of the first nurse, as wide and high as a tablet."""
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    page.goto(there)
    return page


@contextmanager
def in_a_browser_of_its_own(browser, person, there, live_server):
    context = browser.new_context(viewport=TABLET)
    context.set_default_timeout(PATIENCE_MS)
    context.add_cookies([cookie_of(person, live_server)])
    page = context.new_page()
    page.goto(there)
    yield page
    context.close()


@pytest.fixture
def other_tablet(browser, second, there, live_server):
    """The page of the second nurse in a browser of its own."""
    with in_a_browser_of_its_own(browser, second, there, live_server) as page:
        yield page


def moved(running):
    return list(Entry.objects.filter(exchange_session=running, kind="moved").order_by("number"))


def volumes(running):
    return [(entry.body["in_ml"], entry.body["out_ml"]) for entry in moved(running)]


def touch(page, out=None, given=None):
    if out is not None:
        page.get_by_label("Out, this draw").fill(out)
    if given is not None:
        page.locator("#in_ml").fill(given)
    page.get_by_role("button", name="Enter", exact=True).click()


def all_saved(page):
    nothing_is_kept_in_the_browser(page)
    expect(page.locator("#queue")).not_to_contain_text("not yet saved")
    expect(page.locator("#saved")).to_contain_text("on the server")


# One tablet


def test_a_whole_session_is_entered_by_one_key_a_touch(tablet, running):
    page = tablet
    expect(page.get_by_role("heading", level=1)).to_have_text("Saline")
    page.get_by_label("Out, this draw").focus()
    for title in ("Saline", "Red cells, unit 1 of 2", "Red cells, unit 2 of 2", "Every step is done"):
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", level=1)).to_have_text(title)
        page.get_by_label("Out, this draw").focus()
    all_saved(page)
    # By hand: 400 mL of saline and 516 mL of cells against 900 mL of blood, as planned.
    assert volumes(running) == [(200, 200), (200, 200), (258, 250), (258, 250)]
    expect(page.locator("#balml")).to_have_text("+16")
    state = tally_of(running)
    assert (state.in_ml, state.out_ml, state.current) == (916, 900, None)


def test_everything_that_is_pressed_is_48_pixels_high_and_the_page_needs_no_scrolling(tablet):
    boxes = tablet.locator("main .btn:visible, main .ent input:visible")
    assert boxes.count() >= 8
    for place in range(boxes.count()):
        box = boxes.nth(place).bounding_box()
        assert box["height"] >= 48, boxes.nth(place).inner_text()
        assert box["width"] >= 48, boxes.nth(place).inner_text()
    assert tablet.evaluate("document.documentElement.scrollHeight") <= TABLET["height"]


LONG = {
    "nine units": {
        "units": 9,
        "steps": [
            {"number": n, "fluid": "red_cells", "units": [n], "in_ml": 258, "out_ml": 250, "draws": [250]}
            for n in range(1, 10)
        ],
    },
    "one arm": {
        "method": "one_arm",
        "units": 2,
        "steps": [
            {"number": n, "fluid": "saline", "units": [], "in_ml": 50, "out_ml": 50, "draws": [50]}
            for n in range(1, 27)
        ],
    },
}


@pytest.mark.parametrize("plan", LONG)
@pytest.mark.parametrize(("width", "height"), [(1024, 768), (768, 1024)])
def test_however_long_the_plan_what_is_pressed_stays_on_the_screen(page_as, nurse, live_server, width, height, plan):
    signed_by = make_user(site=nurse.site, role="consultant", full_name="R. Marsh")
    long = make_running(make_patient("R9", site=nurse.site), by=signed_by, unit_state="running", **LONG[plan])
    last = len(LONG[plan]["steps"])
    for number in range(1, last):
        make_entry(long, "step_done", {"step": number}, by=nurse)
    page = page_as(nurse)
    page.set_viewport_size({"width": width, "height": height})
    page.goto(live_server.url + reverse("bedside:run", args=["R9", long.pk]))
    now = page.locator("#steps tr.now")
    expect(now).to_contain_text(str(last))
    pressed = [page.get_by_role("button", name=name, exact=True) for name in ("Enter", "Undo last")]
    pressed += [page.get_by_role("link", name=name) for name in ("Pause", "Finish session", "Enter observations")]
    for one in [*pressed, page.locator(".rx"), page.locator("#nowh"), now]:
        expect(one).to_be_in_viewport(ratio=1)
    for one in pressed:
        assert one.bounding_box()["height"] >= 48
    foot, box = page.locator(".rf").bounding_box(), now.bounding_box()
    assert box["y"] + box["height"] <= foot["y"], "the current step is not under the foot"
    fits = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
    assert page.evaluate(fits)
    assert page.evaluate("document.documentElement.scrollHeight <= document.documentElement.clientHeight")
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()


def test_at_400_percent_the_page_is_one_column_and_everything_can_be_entered(tablet):
    tablet.set_viewport_size({"width": 320, "height": 256})  # 1280 by 1024 at 400 %: WCAG 2.2, 1.4.10
    assert tablet.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    for name in ("Enter", "Undo last"):
        tablet.get_by_role("button", name=name, exact=True).scroll_into_view_if_needed()
        expect(tablet.get_by_role("button", name=name, exact=True)).to_be_in_viewport(ratio=1)


def test_the_slow_start_of_a_unit_is_said_large_at_the_step_and_once_aloud(tablet):
    # 50 mL in the first 15 minutes is 200 mL an hour; both units of this session were started at 10:00.
    slow = tablet.locator("#slow")
    expect(slow).to_contain_text("at most 50 mL")
    expect(slow).to_contain_text("200 mL/h")
    expect(tablet.locator("#slowleft")).to_have_text("15 min left")
    assert tablet.locator(".slow").evaluate("(one) => parseFloat(getComputedStyle(one).fontSize)") >= 20
    expect(tablet.locator("#live")).to_contain_text("at most 50 mL until")
    tablet.evaluate("document.getElementById('live').textContent = ''")
    asked = []
    tablet.on("response", lambda answer: asked.append(answer) if "/since/" in answer.url else None)
    make_late = time.monotonic() + PATIENCE_MS / 1000
    while len(asked) < 3 and time.monotonic() < make_late:
        tablet.wait_for_timeout(100)
    assert len(asked) >= 3
    expect(tablet.locator("#live")).to_have_text("")


def test_more_than_the_slow_start_of_a_unit_is_asked_about_while_it_is_typed_and_can_be_entered(
    page_as, nurse, running, there
):
    DonationUnit.objects.filter(place=2).update(state="checked", started_at=None)
    make_entry(running, "moved", {"step": 1, "in_ml": 400, "out_ml": 400}, by=nurse)
    tablet = page_as(nurse)
    tablet.set_viewport_size(TABLET)
    tablet.goto(there)
    ahead = tablet.locator("#ahead")
    expect(ahead).to_contain_text("258 mL of unit 1 by 10:15 is more than the 50 mL of its slow start.")
    tablet.locator("#out_ml").fill("50")
    tablet.locator("#in_ml").fill("45")
    expect(ahead).not_to_contain_text("slow start")
    touch(tablet)
    expect(tablet.locator("#steps")).to_contain_text("45 / 50")
    tablet.locator("#in_ml").fill("6")
    expect(ahead).to_contain_text("51 mL of unit 1 by 10:15 is more than the 50 mL of its slow start.")
    touch(tablet)
    all_saved(tablet)
    assert tally_of(running).units[1].in_ml == 51


def test_more_of_a_unit_than_its_label_says_is_asked_about_while_it_is_typed(page_as, nurse, running, there):
    DonationUnit.objects.update(started_at=NOW - timedelta(minutes=20))
    make_entry(running, "moved", {"step": 1, "in_ml": 400, "out_ml": 400}, by=nurse)
    make_entry(running, "moved", {"step": 2, "in_ml": 100, "out_ml": 100, "unit": 1}, by=nurse)
    tablet = page_as(nurse)
    tablet.set_viewport_size(TABLET)
    tablet.goto(there)
    ahead = tablet.locator("#ahead")
    tablet.locator("#out_ml").fill("183")
    tablet.locator("#in_ml").fill("183")  # with what is in already a tenth over the label
    expect(ahead).not_to_contain_text("on its label")
    tablet.locator("#in_ml").fill("184")
    expect(ahead).to_contain_text("284 mL of unit 1 is more than the 258 mL on its label. Enter it only if")
    touch(tablet)
    all_saved(tablet)
    assert tally_of(running).units[1].in_ml == 284


def test_what_is_typed_into_a_box_replaces_a_volume_that_came_into_it_meanwhile(tablet, running):
    out = tablet.get_by_label("Out, this draw")
    out.fill("190")
    out.press("Enter")  # the rest of the touch comes into the box that stays under the hand
    expect(out).to_have_value("10")
    tablet.keyboard.type("15")
    expect(out).to_have_value("15")
    tablet.keyboard.press("Enter")
    all_saved(tablet)
    assert [out_ml for _, out_ml in volumes(running)] == [190, 15]


def test_undo_takes_the_last_touch_back_and_asks_nothing(tablet, running):
    touch(tablet)
    expect(tablet.locator("#steps")).to_contain_text("200 / 200")
    tablet.get_by_role("button", name="Undo last").click()
    expect(tablet.locator("#steps")).to_contain_text("0 / 0")
    all_saved(tablet)
    assert tally_of(running).out_ml == 0
    assert Entry.objects.filter(exchange_session=running, kind="undo").count() == 1


def test_a_draw_beyond_the_limit_is_said_before_it_is_entered_and_after(tablet):
    tablet.get_by_label("Out, this draw").fill("600")
    tablet.locator("#in_ml").fill("")
    # 60 kg: 8 mL/kg is 480 mL, under 500.
    expect(tablet.locator("#ahead")).to_contain_text("600 mL drawn without return: the limit of one draw is 480 mL.")
    touch(tablet)
    expect(tablet.locator("#bal")).to_contain_text("120 mL beyond the limit under")
    all_saved(tablet)
    for box in ("#out_ml", "#in_ml"):
        tablet.locator(box).fill("")
    expect(tablet.locator("#ahead")).not_to_contain_text("This would bring")  # nothing is typed that could


def test_a_weighed_bag_is_entered_in_grams(tablet, running):
    tablet.get_by_role("link", name="Weigh a bag").click()
    tablet.get_by_label("Bag with blood").fill("550")
    tablet.get_by_label(re.compile("large")).check()
    # 500 g at Hb 94: Hct 94/334 = 0.281, density 1.0449, so 479 mL (worked out here, rounded).
    expect(tablet.locator("#weighed")).to_have_text("479 mL of blood")
    tablet.get_by_role("dialog").get_by_role("button", name="Enter").click()
    expect(tablet.locator("#balml")).to_have_text("−479")
    all_saved(tablet)
    entry = moved(running)[0]
    assert (entry.body["out_ml"], entry.body["weighed_g"], entry.body["tare_g"]) == (479, 550, 50)


def test_unusual_observations_are_asked_about_once_and_kept(tablet, running):
    tablet.get_by_role("link", name="Enter observations").click()
    tablet.get_by_label("Systolic pressure").fill("85")
    tablet.get_by_role("textbox", name="Pulse").fill("88")
    press = tablet.get_by_role("button", name="Enter observations")
    press.click()
    expect(tablet.get_by_role("dialog")).to_contain_text("systolic pressure 85: usual is 90 to 160.")
    press.click()
    expect(tablet.locator("#obs")).to_contain_text("BP 85/–, pulse 88")
    all_saved(tablet)
    last = Entry.objects.filter(exchange_session=running).latest("number")
    assert (last.body["bp_sys"], last.body["pulse"]) == (85, 88)


def test_observations_that_are_due_are_said_aloud_once(page_as, nurse, running, there):
    Entry.objects.filter(exchange_session=running).update(happened_at=NOW - timedelta(minutes=31))
    page = page_as(nurse)
    page.goto(there)
    expect(page.locator("#loud")).to_have_text("Observations are due: every 30 min.")
    expect(page.locator("#clock")).to_contain_text("due")
    page.evaluate("document.getElementById('loud').textContent = ''")
    page.wait_for_timeout(5500)
    expect(page.locator("#loud")).to_have_text("")


def test_a_time_is_put_right_with_a_reason(tablet, running):
    touch(tablet)
    all_saved(tablet)
    tablet.get_by_role("link", name="Entries").click()
    tablet.get_by_role("link", name=re.compile("put right the time of: out 200")).click()
    tablet.get_by_label("It happened at").fill("09:50")
    tablet.get_by_label("Why the time is put right").fill("entered after the bag was changed")
    tablet.get_by_role("button", name="Put it right").click()
    expect(tablet.locator("#steps")).to_contain_text("09:50")
    assert tally_of(running).moved[0].at.minute == 50


def test_pause_says_why_and_goes_on(tablet, running):
    tablet.get_by_role("link", name="Pause").click()
    pause = tablet.get_by_role("dialog", name="Pause")
    pause.get_by_role("button", name="Pause").click()
    expect(pause).to_be_visible()  # without a reason it stays, for the run goes on
    pause.get_by_label("Why").fill("cannula")
    pause.get_by_role("button", name="Pause").click()
    expect(tablet.locator("#alerts")).to_contain_text("Paused")
    expect(tablet.locator("#now")).to_contain_text("Step 1, not now")
    tablet.get_by_role("button", name="Go on").click()
    expect(tablet.locator("#alerts")).not_to_contain_text("Paused")
    assert tally_of(running).paused_since is None


def test_the_screen_is_dimmed_for_this_device_and_stays_so(tablet):
    tablet.get_by_role("button", name="Dim the screen").click()
    tablet.reload()
    expect(tablet.locator("body")).to_have_attribute("data-light", "dim")
    assert Axe().run(tablet).response["violations"] == []


def test_the_page_holds_at_every_width_and_axe_finds_nothing(tablet):
    assert faults_at_every_width(tablet, (1440, 1024, 390)) == []
    for width in (1440, 390):
        tablet.set_viewport_size({"width": width, "height": 800})
        expect(tablet.get_by_role("button", name="Enter", exact=True)).to_be_visible()


def test_a_phone_only_shows(browser, nurse, there, live_server):
    context = browser.new_context(viewport={"width": 390, "height": 800}, has_touch=True, is_mobile=True)
    context.add_cookies([cookie_of(nurse, live_server)])
    page = context.new_page()
    page.goto(there)
    expect(page.get_by_text("Enter on a larger screen")).to_be_visible()
    expect(page.get_by_role("button", name="Enter", exact=True)).to_be_hidden()
    context.close()


def test_everything_is_entered_without_script(page_as, browser, nurse, running, there):
    context = browser.new_context(java_script_enabled=False, viewport=TABLET)
    context.add_cookies(page_as(nurse).context.cookies())
    page = context.new_page()
    page.goto(there)
    touch(page)
    expect(page.locator("#steps")).to_contain_text("200 / 200")
    touch(page, out="9000")
    expect(page.locator("#alerts")).to_contain_text("Out: 9000 is outside what is allowed, a number from 0 to 1500 mL")
    expect(page.get_by_label("Out, this draw")).to_have_value("9000")
    page.get_by_role("link", name="Enter observations").click()
    page.get_by_role("textbox", name="Pulse").fill("130")
    page.get_by_role("button", name="Enter observations").click()
    expect(page.get_by_text("usual is 50 to 110")).to_be_visible()
    page.get_by_role("button", name="Undo last").click()
    context.close()
    assert volumes(running) == [(200, 200)]
    assert len(tally_of(running).observations) == 1, "the observation from before the start; the other was undone"


def test_an_entry_counts_once_while_the_board_has_it_and_its_own_answer_is_still_on_the_way(tablet, running):
    page, nurse = tablet, make_user(site=running.patient.site, username="third.nurse")
    for _ in range(4):
        make_entry(running, "moved", {"step": 1, "in_ml": 50, "out_ml": 50}, by=nurse)
    for step in (2, 3):
        make_entry(running, "step_done", {"step": step}, by=nurse)
    page.reload()
    held = []
    page.route("**/enter/", lambda route: held.append((route, route.fetch())))
    touch(page, out="200", given="150")
    expect(page.locator("#steps")).to_contain_text("350 / 400")
    expect(page.locator("#balml")).to_have_text("−50")
    expect(page.locator("#balsay")).to_have_text("Balance now, in less out")
    assert len(held) == 1, "its answer has not reached the page"
    route, answer = held.pop()
    route.fulfill(response=answer)
    page.unroute("**/enter/")
    all_saved(page)
    expect(page.locator("#balml")).to_have_text("−50")


def test_the_balance_is_the_servers_again_once_an_entry_is_refused(tablet, running, console_errors):
    page = tablet
    refusal = {"refused": ["Step 1 was ended meanwhile."]}
    page.route("**/enter/", lambda route: route.fulfill(status=422, json=refusal))
    touch(page, out="300", given="100")
    expect(page.locator("#queue")).to_contain_text("Step 1 was ended meanwhile.")
    expect(page.locator("#balml")).to_have_text("0")
    expect(page.locator("#balsay")).to_have_text("Balance now, in less out")
    assert moved(running) == []
    assert len(console_errors) == 1, "the browser's own line about the refusal"
    console_errors.clear()


# Before starting, units, and a change on the way


def test_the_checks_are_asked_and_the_session_starts(page_as, nurse, live_server):
    patient = make_patient("R8", site=nurse.site, family_name="Ashdown")
    make_measure(patient, on=TODAY, weight_kg=60)
    Consent.objects.create(patient=patient, given_on=date(2026, 1, 5), valid_until=date(2027, 1, 4))
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    planned = make_exchange_session(patient, on=TODAY, state="authorised", origin="here", hbs_after_pct=None)
    make_prescription(planned, signed_by=make_user(site=nurse.site, role="consultant"))
    page = page_as(nurse)
    page.goto(live_server.url + reverse("bedside:start", args=["R8", planned.pk]))
    assert too_small_for_a_thumb(page) == []
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        assert Axe().run(page).response["violations"] == []
    page.get_by_label("yes", exact=True).first.check()
    page.get_by_label("Wristband").fill("R8")
    for answer in ("in and tested", "none", "asked or tested: not pregnant", "held as agreed"):
        page.get_by_label(answer, exact=True).check()
    page.get_by_label("Systolic").fill("84")
    page.get_by_role("button", name="Start the session").click()
    expect(page.get_by_role("alert")).to_contain_text("Systolic 84 mmHg, under 90: no exchange")
    page.get_by_label("Systolic").fill("112")
    page.get_by_role("button", name="Start the session").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Saline")
    assert ExchangeSession.objects.get(pk=planned.pk).state == "running"


def test_a_unit_is_started_and_ended_where_it_is_given(page_as, nurse, second, running, there):
    patient = running.patient
    make_needs(patient)
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    running.donation_units.all().delete()
    unit = make_unit(
        running, place=1, state="checked", donation_number="G123498654321", product_code="E0336V00", abo="O", rhd="+",
        antigens_negative="C, E, K", hbs_negative=True, volume_ml=258, expires_on=date(2026, 6, 20),
        out_of_storage_at=NOW - timedelta(minutes=10), first_checker=nurse, second_checker=second, checked_at=NOW,
    )  # fmt: skip
    for _ in range(2):
        make_entry(running, "moved", {"step": 1, "in_ml": 200, "out_ml": 200}, by=nurse)
    page = page_as(nurse)
    page.goto(there)
    expect(page.locator("#ahead")).to_contain_text("Unit 1 is checked, not started.")
    expect(page.locator("#in_ml")).to_have_value("")
    page.get_by_role("button", name="Start unit 1").click()
    expect(page.get_by_role("status").first).to_contain_text("Unit 1 is started")
    expect(page.locator("#in_ml")).to_have_value("258")
    touch(page)
    page.get_by_role("button", name="End unit 1").click()
    expect(page.get_by_role("link", name="Bring unit 2")).to_be_visible()
    unit.refresh_from_db()
    assert (unit.state, tally_of(running).units[1].in_ml) == ("given", 258)


def test_the_plan_is_changed_on_the_way_and_the_page_goes_on_from_there(page_as, running, there, live_server):
    DonationUnit.objects.filter(exchange_session=running, place=2).update(state="checked", started_at=None)
    page = page_as(running.prescriptions.get().authorised_by)
    page.goto(there)
    touch(page)
    all_saved(page)
    page.get_by_role("link", name="Change plan").click()
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        assert Axe().run(page).response["violations"] == []
    row = page.get_by_role("group", name="row 2")
    row.get_by_label("In", exact=True).fill("258")
    row.get_by_label("Out").fill("250")
    expect(page.get_by_role("heading", name="So it would end")).to_be_visible()
    assert row.get_by_label("Out").evaluate("(box) => box === document.activeElement"), "typing is not interrupted"
    page.get_by_label("Why the plan is changed").fill("the second unit was not usable")
    page.get_by_label("Where a limit is passed").fill("agreed")
    page.get_by_role("button", name="Sign the changed plan").click()
    expect(page.locator("#steps")).to_contain_text("plan 2")
    expect(page.locator("#steps")).to_contain_text("258 / 250")
    expect(page.locator("#steps")).to_contain_text("200 / 200")


def test_typing_past_a_hard_stop_takes_the_signature_away_and_typing_back_offers_it_again(
    page_as, running, there, live_server
):
    make_site_setting(site=running.patient.site, name="hard_balance", value=1)
    page = page_as(running.prescriptions.get().authorised_by)
    page.goto(live_server.url + reverse("bedside:change", args=["R7", running.pk]))
    sign = page.get_by_role("button", name="Sign the changed plan")
    given = page.get_by_role("group", name="row 2").get_by_label("In", exact=True)
    expect(sign).to_be_visible()
    was = given.input_value()
    given.fill("2500")
    expect(page.locator("#signing")).to_contain_text("it passes a stop that nobody can pass here")
    expect(sign).to_have_count(0)
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert Axe().run(page).response["violations"] == []
    given.fill(was)
    expect(sign).to_be_visible()


# Nothing is lost


def test_three_entries_made_while_the_network_is_cut_arrive_once_each(tablet, running, console_errors):
    tablet.context.set_offline(True)
    for _ in range(3):
        touch(tablet)
    expect(tablet.locator("#queue")).to_contain_text("3 not yet saved")
    expect(tablet.locator("#queue")).to_contain_text("kept in this browser")
    expect(tablet.locator("#balsay")).to_have_text("Balance now, 3 not yet saved")
    expect(tablet.locator("#balml")).to_have_text("+8")  # 658 in, 650 out
    without = tablet.locator("#balcells").inner_text().replace("\u2212", "-")
    per_kg = float(without) / float(tablet.locator("#figures").get_attribute("data-weight"))
    expect(tablet.locator("#balcellskg")).to_have_text(f"{per_kg:.1f}".replace("-", "\u2212"))
    expect(tablet.get_by_role("heading", level=1)).to_have_text("Red cells, unit 2 of 2")
    assert moved(running) == []
    tablet.wait_for_timeout(6000)
    tablet.context.set_offline(False)
    all_saved(tablet)
    assert volumes(running) == [(200, 200), (200, 200), (258, 250)]
    assert all(entry.waited for entry in moved(running))
    spans = [(entry.received_at - entry.happened_at).total_seconds() for entry in moved(running)]
    assert min(spans) > 5, "an entry happened when it was made, not when it arrived"
    console_errors.clear()


def test_what_is_said_of_the_queue_moves_no_button_from_under_the_thumb(tablet, console_errors):
    tablet.get_by_label("Out, this draw").fill("200")
    enter = tablet.get_by_role("button", name="Enter", exact=True)
    place = enter.bounding_box()
    tablet.context.set_offline(True)
    expect(tablet.locator("#queue")).to_contain_text("Not connected")
    assert enter.bounding_box() == place
    console_errors.clear()


def test_an_answer_that_is_lost_after_the_entry_was_written_makes_no_second_entry(tablet, running, console_errors):
    lost = []

    def lose_the_first(route):
        if lost:
            route.continue_()
        else:
            lost.append(route.fetch().status)
            route.abort()

    tablet.route("**/enter/", lose_the_first)
    touch(tablet)
    all_saved(tablet)
    assert lost == [200]
    assert volumes(running) == [(200, 200)]
    console_errors.clear()


def test_entries_survive_the_reload_of_the_page(tablet, running, console_errors):
    tablet.route("**/enter/", lambda route: route.abort())
    touch(tablet)
    touch(tablet)
    expect(tablet.locator("#queue")).to_contain_text("2 not yet saved")
    tablet.reload()
    expect(tablet.locator("#queue")).to_contain_text("2 not yet saved")
    tablet.unroute("**/enter/")
    all_saved(tablet)
    assert volumes(running) == [(200, 200), (200, 200)]
    console_errors.clear()


def test_what_is_left_of_a_touch_stays_the_next_one_while_the_network_is_cut(tablet, running, console_errors):
    tablet.context.set_offline(True)
    touch(tablet, out="120", given="40")
    # The first touch was planned as 200 mL in and 200 mL out.
    expect(tablet.locator("#nowdo")).to_have_text("Of this is left: in 160, out 80 mL.")
    expect(tablet.locator("#out_ml")).to_have_value("80")
    expect(tablet.locator("#in_ml")).to_have_value("160")
    touch(tablet)
    expect(tablet.locator("#nowdo")).to_contain_text("200 mL of saline while 200 mL is drawn")
    tablet.context.set_offline(False)
    all_saved(tablet)
    assert volumes(running) == [(40, 120), (160, 80)]
    console_errors.clear()


def test_undoing_an_entry_that_is_not_saved_yet_undoes_that_one(tablet, running, console_errors):
    tablet.context.set_offline(True)
    touch(tablet, out="111")
    touch(tablet)
    tablet.get_by_role("button", name="Undo last").click()
    expect(tablet.locator("#queue")).to_contain_text("3 not yet saved")
    tablet.context.set_offline(False)
    all_saved(tablet)
    state = tally_of(running)
    assert [(one.in_ml, one.out_ml) for one in state.moved] == [(200, 111)]
    console_errors.clear()


def test_when_the_sign_in_has_ended_entries_wait_and_are_sent_after_signing_in(tablet, running, nurse, live_server):
    tablet.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    touch(tablet)
    expect(tablet.locator("#queue")).to_contain_text("The sign-in has ended")
    expect(tablet.locator("#queue").get_by_role("link", name="Sign in again")).to_be_visible()
    assert moved(running) == []
    tablet.context.add_cookies([cookie_of(nurse, live_server)])
    all_saved(tablet)
    assert volumes(running) == [(200, 200)]


def test_entries_of_one_person_are_never_saved_as_those_of_another(
    tablet, running, nurse, second, live_server, console_errors
):
    tablet.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    touch(tablet)
    expect(tablet.locator("#queue")).to_contain_text("The sign-in has ended")
    tablet.context.add_cookies([cookie_of(second, live_server)])
    tablet.reload()
    expect(tablet.locator("#queue")).to_contain_text("1 of somebody else not yet saved")
    assert moved(running) == []
    tablet.context.add_cookies([cookie_of(nurse, live_server)])
    tablet.reload()
    nothing_is_kept_in_the_browser(tablet)
    assert [entry.by for entry in moved(running)] == [nurse]
    console_errors.clear()


def test_a_refused_entry_stays_with_its_reason_until_it_is_dismissed(tablet, running, console_errors):
    tablet.context.set_offline(True)
    touch(tablet)
    expect(tablet.locator("#queue")).to_contain_text("not yet saved")
    ExchangeSession.objects.filter(pk=running.pk).update(state="finished")
    tablet.context.set_offline(False)
    refused = tablet.locator("#queue .stop")
    expect(refused).to_contain_text("This session is finished: 'moved' was not kept.")
    expect(tablet.locator("#alerts")).to_contain_text("nothing more is given or drawn here")
    tablet.reload()
    expect(refused).to_contain_text("out 200, in 200 mL")
    refused.get_by_role("button", name="Dismiss").click()
    expect(refused).to_have_count(0)
    nothing_is_kept_in_the_browser(tablet)
    assert moved(running) == []
    console_errors.clear()


KEPT = "caches.keys().then((names) => names.filter((name) => name.startsWith('ebbline-run ')))"
KEPT_FILES = """caches.keys().then((names) => Promise.all(names.map((name) => caches.open(name)))).then((all) =>
    Promise.all(all.map((one) => one.keys()))).then((all) => all.flat().map((one) => new URL(one.url).pathname))"""


@pytest.fixture
def kept(tablet):
    """The tablet, once its page and every file of it are kept for a reload without the network."""
    until(tablet, KEPT_FILES, lambda names: any("queue" in name for name in names) and any("/run/" in n for n in names))
    return tablet


def test_a_reload_without_the_network_shows_the_page_and_what_is_not_saved_and_takes_more(
    kept, running, console_errors
):
    page = kept
    page.context.set_offline(True)
    touch(page)
    expect(page.locator("#queue")).to_contain_text("1 not yet saved")
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text("Saline")
    expect(page.locator("#queue")).to_contain_text("1 not yet saved")
    expect(page.locator("#queue")).to_contain_text(re.compile(r"Not connected.*last reached at \d\d:\d\d:\d\d"))
    touch(page, out="190")
    expect(page.locator("#queue")).to_contain_text("2 not yet saved")
    assert moved(running) == []
    page.context.set_offline(False)
    all_saved(page)
    assert volumes(running) == [(200, 200), (200, 190)]
    expect(page.locator("#queue")).not_to_contain_text("Not connected")
    console_errors.clear()


def test_only_the_page_of_the_run_and_its_files_are_ever_kept(kept, running, live_server):
    run = reverse("bedside:run", args=["R7", running.pk])
    for name in ("bedside:units", "bedside:run"):
        kept.goto(live_server.url + reverse(name, args=["R7", running.pk]))
    kept.goto(live_server.url + reverse("worklist:course", args=["R7"]))
    until(kept, KEPT_FILES, lambda names: run in names)
    assert [name for name in kept.evaluate(KEPT_FILES) if name != run and not name.startswith("/static/")] == []


def test_signing_out_empties_what_was_kept_but_not_what_is_not_saved(kept, running, live_server, console_errors):
    kept.route("**/enter/", lambda route: route.abort())
    touch(kept)
    expect(kept.locator("#queue")).to_contain_text("1 not yet saved")
    kept.goto(live_server.url + reverse("core:own_account"))
    assert len(kept.evaluate(KEPT)) == 1
    kept.get_by_role("button", name="Sign out").click()
    expect(kept.get_by_label("Password")).to_be_visible()
    until(kept, KEPT, lambda names: names == [])
    kept.context.set_offline(True)
    with pytest.raises(PlaywrightError):
        kept.goto(live_server.url + reverse("bedside:run", args=["R7", running.pk]))
    kept.context.set_offline(False)
    kept.goto(live_server.url + reverse("core:sign_in"))
    waiting = "Object.keys(localStorage).filter((name) => name.startsWith('ebbline-run')).length"
    assert kept.evaluate(waiting) == 1
    console_errors.clear()


@pytest.mark.parametrize("state", ["finished", "closed", "abandoned"])
def test_a_session_that_is_over_is_kept_no_longer(kept, running, state):
    why = "venous access lost" if state == "abandoned" else ""
    ExchangeSession.objects.filter(pk=running.pk).update(state=state, ended_reason=why)
    expect(kept.locator("#alerts")).to_contain_text("nothing more is given or drawn here")
    until(kept, KEPT, lambda names: names == [])


def test_signed_out_while_the_network_was_gone_keeps_the_entries_and_says_so(
    kept, running, nurse, live_server, console_errors
):
    kept.context.set_offline(True)
    touch(kept)
    expect(kept.locator("#queue")).to_contain_text("1 not yet saved")
    kept.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    kept.context.set_offline(False)
    expect(kept.locator("#queue")).to_contain_text("The sign-in has ended")
    until(kept, KEPT, lambda names: names == [])
    assert moved(running) == []
    kept.context.add_cookies([cookie_of(nurse, live_server)])
    all_saved(kept)
    assert volumes(running) == [(200, 200)]
    console_errors.clear()


# Two tablets


def test_each_tablet_sees_within_seconds_what_the_other_entered(tablet, other_tablet):
    touch(tablet)
    expect(other_tablet.locator("#steps")).to_contain_text("200 / 200")
    touch(other_tablet)
    expect(tablet.locator("#steps")).to_contain_text("400 / 400")


def test_what_is_being_typed_is_not_touched_by_what_another_tablet_enters(tablet, other_tablet):
    tablet.get_by_label("Out, this draw").fill("123")
    touch(other_tablet)
    expect(tablet.locator("#steps")).to_contain_text("200 / 200")
    expect(tablet.get_by_label("Out, this draw")).to_have_value("123")


@pytest.mark.parametrize("answer", ["Both happened", "Undo mine"])
def test_a_conflict_keeps_both_values_until_somebody_settles_it(tablet, other_tablet, running, answer):
    other_tablet.route("**/since/**", lambda route: route.abort())  # it does not see the first entry
    touch(tablet, out="210")
    all_saved(tablet)
    touch(other_tablet, out="190")
    all_saved(other_tablet)
    other_tablet.unroute("**/since/**")
    for page in (tablet, other_tablet):
        expect(page.locator("#alerts")).to_contain_text("Two entries for one step")
        expect(page.locator("#alerts")).to_contain_text("out 210")
        expect(page.locator("#alerts")).to_contain_text("out 190")
    assert tally_of(running).out_ml == 400, "both count"
    other_tablet.get_by_role("button", name=answer).click()
    for page in (tablet, other_tablet):
        expect(page.locator("#alerts")).not_to_contain_text("Two entries")
    assert tally_of(running).out_ml == (400 if answer == "Both happened" else 210)


@pytest.fixture
def same_nurse_elsewhere(browser, nurse, there, live_server):
    """The page of the first nurse on a second tablet."""
    with in_a_browser_of_its_own(browser, nurse, there, live_server) as page:
        yield page


def test_a_draw_entered_again_on_another_tablet_while_the_first_was_cut_off_is_shown_and_not_just_counted_twice(
    tablet, same_nurse_elsewhere, running, console_errors
):
    tablet.context.set_offline(True)
    touch(tablet, out="200")
    expect(tablet.locator("#queue")).to_contain_text("not yet saved")
    touch(same_nurse_elsewhere, out="200")
    all_saved(same_nurse_elsewhere)
    tablet.context.set_offline(False)
    for page in (tablet, same_nurse_elsewhere):
        expect(page.locator("#alerts")).to_contain_text("on two tablets without seeing each other")
    assert tally_of(running).out_ml == 400, "both count until somebody says"
    same_nurse_elsewhere.get_by_role("button", name="Undo the later").click()
    expect(same_nurse_elsewhere.locator("#alerts")).not_to_contain_text("Two entries")
    assert tally_of(running).out_ml == 200
    console_errors.clear()


def test_a_pile_of_entries_is_shown_newest_first(tablet, running, nurse):
    make_entry(running, "note", {"words": "asked for a blanket"}, by=nurse)
    expect(tablet.locator("#logrows tbody tr").first).to_contain_text("asked for a blanket")
