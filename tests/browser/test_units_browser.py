"""Units and reactions in a real browser: scans that end with Enter, a wrong unit stopped, two people by PIN."""

from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import expect

from patients.models import CrossmatchSample
from programme.core.models import SiteText, TrailEntry
from programme.core.services import set_pin
from sessions.day.models import AdverseEvent, Entry
from sessions.models import DonationUnit, HaemolysisSign
from tests.browsing import WIDTHS, faults_at_every_width, too_small_for_a_thumb
from tests.conftest import client_of
from tests.factories import (
    NOW,
    make_adverse_event,
    make_antibody,
    make_needs,
    make_patient,
    make_running,
    make_site,
    make_unit,
    make_user,
)

PIN = "480516"
NUMBER = "G123498654321"  # JPAC Red Book, annex 2: check character H
TABLET = {"width": 1024, "height": 768}
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def nurse(transactional_db):
    return make_user(site=make_site(name="Saltmarsh Day Unit"), full_name="A. Fenwright")


@pytest.fixture
def second(nurse):
    user = make_user(site=nurse.site, username="rowan", full_name="Rowan Marsh")
    set_pin(user=user, pin=PIN, at=NOW)
    return user


@pytest.fixture
def running(nurse):
    patient = make_patient("R7", site=nurse.site, family_name="Larkspur")
    make_needs(patient)
    make_antibody(patient, "anti-Jk(b)", found_year=2021)
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    SiteText.objects.create(site=nurse.site, name="group_codes", text="X1 = O+", since=NOW, reason="own labels")
    running = make_running(patient, by=make_user(site=nurse.site, role="consultant", full_name="R. Thornley"))
    running.donation_units.all().delete()
    return running


@pytest.fixture
def tablet(page_as, nurse):
    page = page_as(nurse)
    page.set_viewport_size(TABLET)
    return page


@pytest.fixture
def there(running, live_server):
    return lambda name, *more: live_server.url + reverse(f"bedside:{name}", args=["R7", running.pk, *more])


def scan(page, code):
    """What a keyboard-wedge scanner does: it types into whatever has the focus, and presses Enter."""
    page.keyboard.type(code)
    page.keyboard.press("Enter")


def bring_by_scans(page, codes):
    page.get_by_label("Donation number").focus()
    for code in codes:
        scan(page, code)


LABEL = (f"={NUMBER}00", "=%X100", "=<E0336V00", "&>0261712359")


def test_scans_in_any_order_land_in_their_own_fields(tablet, there):
    tablet.goto(there("unit_add"))
    bring_by_scans(tablet, (LABEL[3], LABEL[1], LABEL[0], LABEL[2]))
    expect(tablet.get_by_label("Donation number")).to_have_value(f"={NUMBER}00")
    expect(tablet.get_by_label("Group of the unit")).to_have_value("O+")
    expect(tablet.get_by_label("Product code")).to_have_value("=<E0336V00")
    expect(tablet.get_by_label("Expiry")).to_have_value("&>0261712359")
    assert not DonationUnit.objects.exists()


def test_a_wrong_unit_is_stopped_and_the_right_one_is_checked_by_two_and_given(tablet, there, second, nurse):
    tablet.goto(there("units"))
    tablet.get_by_role("link", name="Bring a unit").click()
    bring_by_scans(tablet, LABEL)
    tablet.get_by_label("HbS of the unit").select_option("yes")
    for antigen in ("C", "E", "K"):
        tablet.get_by_label(f"{antigen} (", exact=False).check()
    tablet.get_by_label("Left storage at").fill("09:55")
    tablet.get_by_role("button", name="Match it").click()
    alert = tablet.get_by_role("alert")
    expect(alert).to_contain_text("Must be negative, and is not stated for this unit: Jkb (anti-Jk(b) was found)")
    expect(alert).to_be_focused()
    assert Axe().run(tablet).response["violations"] == []
    assert not DonationUnit.objects.exists()
    assert TrailEntry.objects.get(action="unit stopped").after["donation_number"] == NUMBER
    tablet.get_by_label("Jkb (").check()
    tablet.get_by_role("button", name="Match it").click()
    expect(tablet.get_by_text("It fits this person. Now check it.")).to_be_visible()
    # The check: the wrong wristband first, then the right one, the unit once more, the second person's PIN.
    tablet.get_by_label("Name and birth date asked").check()
    tablet.get_by_label("Wristband").focus()
    scan(tablet, "R8")
    scan(tablet, f"={NUMBER}00")
    tablet.get_by_label("Second checker").select_option(label="Rowan Marsh")
    tablet.get_by_label("Their PIN").fill(PIN)
    tablet.get_by_role("button", name="Sign the check").click()
    expect(tablet.get_by_role("alert")).to_contain_text("The wristband says R8, this page is R7: not the same person")
    tablet.get_by_label("Wristband").fill("R7")
    tablet.get_by_label("Their PIN").fill("999999")
    tablet.get_by_role("button", name="Sign the check").click()
    expect(tablet.get_by_role("alert")).to_contain_text("Name and PIN do not fit together")
    expect(tablet.get_by_label("Their PIN")).to_have_value("")
    assert DonationUnit.objects.get().state == "at_chair"
    tablet.get_by_label("Their PIN").fill(PIN)
    tablet.get_by_role("button", name="Sign the check").click()
    expect(tablet.get_by_text("A. Fenwright, Rowan Marsh, 10:0")).to_be_visible()
    tablet.get_by_role("button", name="Start unit 1").click()
    expect(tablet.get_by_text("Unit 1 is started.")).to_be_visible()
    tablet.get_by_role("button", name="End, all given unit 1").click()
    expect(tablet.get_by_text("Unit 1 is ended.")).to_be_visible()
    unit = DonationUnit.objects.get()
    assert (unit.state, unit.first_checker, unit.second_checker) == ("given", nurse, second)
    kinds = Entry.objects.filter(kind__startswith="unit_").order_by("number").values_list("kind", flat=True)
    assert list(kinds) == ["unit_checked", "unit_started", "unit_ended"]


def test_one_touch_on_the_bedside_page_stops_the_run_and_shows_what_to_do(tablet, there, running):
    make_unit(running, donation_number=NUMBER, state="running", started_at=NOW - timedelta(minutes=20))
    tablet.goto(there("run"))
    tablet.get_by_role("button", name="Reaction").click()
    expect(tablet.get_by_text("Stopped at 10:0")).to_be_visible()
    expect(tablet.get_by_role("listitem").filter(has_text="Stop the transfusion")).to_be_visible()
    assert Entry.objects.filter(kind="pause").count() == 1
    tablet.get_by_label("What it looks like").select_option("acute_haemolytic")
    expect(tablet.get_by_label("Unit")).to_have_value("1")
    tablet.get_by_label("What was seen").fill("back pain, red urine")
    tablet.get_by_label("Severity").select_option("4")
    tablet.get_by_role("button", name="Note the reaction").click()
    expect(tablet.get_by_role("alert")).to_contain_text("Grade 4 is for a death")
    tablet.get_by_label("Severity").select_option("2")
    tablet.get_by_role("button", name="Note the reaction").click()
    expect(tablet.get_by_text("The reaction is noted, and its follow-up is open.")).to_be_visible()
    assert AdverseEvent.objects.get().unit.place == 1
    assert HaemolysisSign.objects.count() == 1
    assert Axe().run(tablet).response["violations"] == []


def test_a_stopped_run_looks_stopped_and_goes_on_only_with_words(tablet, there, running):
    """The large words say so, nothing stands ready to be entered, and who decided is kept."""
    tablet.goto(there("run"))
    expect(tablet.locator("#nowh")).not_to_have_text("Stopped for a reaction")
    tablet.get_by_role("button", name="Reaction").click()
    tablet.wait_for_url("**/reaction/**")
    tablet.goto(there("run"))
    expect(tablet.locator("#nowh")).to_have_text("Stopped for a reaction")
    expect(tablet.locator("#nowdo")).to_contain_text("Give nothing now.")
    expect(tablet.locator("#out_ml")).to_have_value("")
    expect(tablet.locator("#in_ml")).to_have_value("")
    tablet.locator("#out_ml").fill("100")
    expect(tablet.locator("#ahead")).to_contain_text("enter only what was given or drawn before the stop")
    tablet.locator("#out_ml").fill("")
    tablet.get_by_role("link", name="Go on").click()
    assert Axe().run(tablet).response["violations"] == []
    tablet.get_by_label("Who decided, and why").fill("Dr Marsh: a new line, go on")
    tablet.get_by_role("button", name="Go on with the session").click()
    expect(tablet.locator("#nowh")).not_to_have_text("Stopped for a reaction")
    expect(tablet.locator("#out_ml")).not_to_have_value("")
    assert Entry.objects.get(exchange_session=running, kind="resume").body == {"words": "Dr Marsh: a new line, go on"}


def test_without_the_network_the_first_actions_open_and_the_stop_is_sent_later(tablet, there, running, console_errors):
    tablet.goto(there("run"))
    tablet.context.set_offline(True)
    tablet.get_by_role("button", name="Reaction").click()
    dialog = tablet.get_by_role("dialog", name="Reaction: what is usually done first")
    expect(dialog.get_by_role("listitem").first).to_have_text("Stop the transfusion; leave the cannula or line in.")
    expect(tablet.get_by_text("1 not yet saved")).to_be_attached()
    assert not Entry.objects.filter(kind="pause").exists()
    tablet.context.set_offline(False)
    expect(tablet.get_by_text("Paused since 10:0")).to_be_attached()
    assert Entry.objects.get(kind="pause").body["words"] == "stopped for a reaction"
    console_errors.clear()  # the browser complains of each request that the cut network lost


def test_everything_works_without_script(browser, nurse, second, there, live_server):
    cookie = client_of(nurse).cookies[settings.SESSION_COOKIE_NAME]
    context = browser.new_context(java_script_enabled=False, viewport=TABLET)
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    page = context.new_page()
    page.goto(there("unit_add"))
    page.get_by_label("Donation number").fill("G1234 98 654321 H")
    page.get_by_label("Group of the unit").select_option("O+")
    page.get_by_label("Expiry").fill("20 Jun 2026")
    page.get_by_label("HbS of the unit").select_option("yes")
    for box in page.get_by_role("checkbox").all():
        box.check()
    page.get_by_label("Expiry").press("Enter")
    page.get_by_label("Name and birth date asked").check()
    page.get_by_label("Wristband").fill("r7")
    page.get_by_label("The unit in your hand").fill("G1234 98 654321 H")
    page.get_by_label("Second checker").select_option("rowan")
    page.get_by_label("Their PIN").fill(PIN)
    page.get_by_role("button", name="Sign the check").click()
    page.get_by_role("button", name="Start unit 1").click()
    expect(page.get_by_text("Unit 1 is started.")).to_be_visible()
    context.close()


def test_the_pages_hold_at_every_width_and_axe_finds_nothing(page_as, running, nurse, there, live_server):
    page = page_as(make_user(site=nurse.site, role="consultant", username="looks"))
    stated = {"abo": "O", "rhd": "+", "antigens_negative": "C, E, K, Jkb", "hbs_negative": True, "volume_ml": 258}
    times = {"out_of_storage_at": NOW - timedelta(minutes=40), "expires_on": NOW.date()}
    for place, state in enumerate(("given", "running", "checked", "at_chair"), start=1):
        started = {"started_at": NOW - timedelta(minutes=30)} if place < 3 else {}
        ended = {"ended_at": NOW - timedelta(minutes=5)} if place < 2 else {}
        number = f"G12349865432{place}"
        make_unit(running, place=place, donation_number=number, state=state, **stated, **times, **started, **ended)
    event = make_adverse_event(running, by=nurse)
    addresses = [there("units"), there("unit_add"), there("unit_check", 4), there("unit_away", 4), there("reaction")]
    more = ("/people/R7/reactions/", f"/people/R7/reactions/{event.pk}/", "/settings/texts/", "/account/pin/")
    for address in [*addresses, *(live_server.url + path for path in more)]:
        page.goto(address)
        assert faults_at_every_width(page, WIDTHS) == []


def test_targets_at_the_chair_are_large_enough_for_a_thumb(tablet, running, there, nurse):
    make_unit(running, state="checked", first_checker=nurse, donation_number=NUMBER)
    pages = ("units", "unit_add", "reaction", "change", "finish", "abandon")
    for address in (*map(there, pages), *(there(name, 1) for name in ("unit_check", "unit_start", "unit_away"))):
        tablet.goto(address)
        assert too_small_for_a_thumb(tablet) == [], address
