"""Pages of units at the chair and of reactions: what they refuse, what they keep, their queries."""

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from patients.models import CrossmatchSample
from programme.core.models import SiteText, TrailEntry
from programme.core.receipts import new_key
from programme.core.services import set_pin
from sessions.day.models import AdverseEvent, Entry, FollowUp
from sessions.models import DonationUnit, HaemolysisSign
from tests.factories import (
    NOW,
    make_adverse_event,
    make_antibody,
    make_entry,
    make_exchange_session,
    make_needs,
    make_patient,
    make_running,
    make_site_setting,
    make_unit,
    make_user,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]

NUMBER = "G123498654321"  # JPAC Red Book, annex 2: check character H
PIN = "480516"
LABEL = {
    "number": "G1234 98 654321 H", "product": "=<E0336V00", "group": "O+", "expiry": "=>026171",
    "negative": ["C", "E", "K"], "hbs": "yes", "volume_ml": "258", "out_of_storage": "09:55",
}  # fmt: skip


@pytest.fixture
def patient(site):
    patient = make_patient("R1", site=site, family_name="Winterbourne")
    make_needs(patient)
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    return patient


@pytest.fixture
def running(patient, consultant):
    running = make_running(patient, by=consultant)
    running.donation_units.all().delete()
    return running


@pytest.fixture
def second(site):
    user = make_user(site=site, username="rowan", full_name="Rowan Marsh")
    set_pin(user=user, pin=PIN, at=NOW)
    return user


@pytest.fixture
def at(running):
    def at(name, *more):
        return reverse(f"bedside:{name}", args=["R1", running.pk, *more])

    return at


def text_of(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())).replace("&#x27;", "'")


def bring(client, at, **changes):
    return client.post(at("unit_add"), LABEL | {"receipt": new_key()} | changes)


def check(client, at, unit, **changes):
    sent = {
        "asked": "on", "wristband": "R1", "number": f"={NUMBER}00", "receipt": new_key(), "version": unit.version,
    }  # fmt: skip
    return client.post(at("unit_check", unit.place), sent | changes)


# Bringing a unit


def test_a_unit_that_fits_is_brought_from_its_scans(nurse_client, at):
    assert bring(nurse_client, at).status_code == 302
    unit = DonationUnit.objects.get()
    assert (unit.donation_number, unit.product_code, str(unit.expires_on)) == (NUMBER, "E0336V00", "2026-06-20")
    assert (unit.abo, unit.rhd, unit.antigens_negative, unit.hbs_negative) == ("O", "+", "C, E, K", True)
    assert unit.out_of_storage_at == NOW - timedelta(minutes=5)
    shown = text_of(nurse_client.get(at("units")))
    assert "G1234 98 654321 check H" in shown
    assert "start by 10:25 , end by 13:55" in shown


def test_a_unit_that_came_before_the_newest_sample_says_so_on_its_line(nurse_client, at, patient):
    bring(nurse_client, at)
    words = "was taken after unit 1 had come, so the unit was not crossmatched on it"
    assert words not in text_of(nurse_client.get(at("units")))
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(minutes=1))
    assert words in text_of(nurse_client.get(at("units")))


def test_a_form_sent_twice_brings_one_unit(nurse_client, at):
    key = new_key()
    assert (
        bring(nurse_client, at, receipt=key).headers["Location"]
        == bring(nurse_client, at, receipt=key).headers["Location"]
    )
    assert DonationUnit.objects.count() == 1


def test_a_wrong_unit_is_stopped_with_everything_that_differs_and_remembered(nurse_client, nurse, at, patient):
    make_antibody(patient, "anti-Jk(b)", found_year=2021)
    said = text_of(bring(nurse_client, at, group="A+", negative=["C", "E"], hbs=""))
    assert "Wrong group: the unit is A, allowed is O. Do not give." in said
    assert "Jkb (anti-Jk(b) was found)" in said
    assert "K (units for this person must be)" in said
    assert "HbS must be negative, and is not stated" in said
    assert "Stopped. Nothing was signed or saved; everything you typed is kept." in said
    assert not DonationUnit.objects.exists()
    entry = TrailEntry.objects.get(action="unit stopped")
    assert (entry.actor, entry.after["donation_number"], len(entry.after["why"])) == (nurse, NUMBER, 3)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"number": "G1234 98 654312 H"}, "do not belong together"),
        ({"number": "G123498654321"}, "The check character is missing"),
        ({"number": "=>026171"}, "another code of the label"),
        ({"expiry": "=<E0336V00"}, "scan it into its own field"),
        ({"expiry": "1 Jun 2026 09:00"}, "Expired on 1 Jun 2026"),
        ({"expiry": "soon"}, "is not a date"),
        ({"product": "E03"}, "no product code"),
        ({"group": ""}, "Group of the unit is needed"),
        ({"out_of_storage": "10:30"}, "still to come"),
        ({"volume_ml": "900"}, "outside what is allowed"),
    ],
)
def test_what_cannot_be_is_refused_and_kept_in_its_field(nurse_client, at, typed, words):
    answer = bring(nurse_client, at, **typed)
    assert words in text_of(answer)
    assert next(iter(typed.values())).replace(">", "&gt;").replace("<", "&lt;") in answer.content.decode()
    assert not DonationUnit.objects.exists()


def test_typing_mistakes_are_no_near_misses(nurse_client, at):
    bring(nurse_client, at, number="G1234 98 654312 H")
    bring(nurse_client, at, out_of_storage="10:30")
    assert not TrailEntry.objects.filter(action="unit stopped").exists()


def test_a_compatible_group_is_asked_about_and_taken_when_confirmed(nurse_client, at, patient):
    patient.needs.abo = "A"
    patient.needs.save()
    said = text_of(bring(nurse_client, at))
    assert "compatible, not the same. Was it meant?" in said
    assert bring(nurse_client, at, **{"right-group": "O+"}).status_code == 302


def test_group_codes_are_the_sites_own_list(nurse_client, site, at):
    assert "group-codes" not in nurse_client.get(at("unit_add")).content.decode()
    SiteText.objects.create(site=site, name="group_codes", text="X1 = O+", since=NOW, reason="own labels")
    assert '{"X1": "O+"}' in nurse_client.get(at("unit_add")).content.decode()


# Checking


def test_two_people_check_at_one_screen_by_pin(nurse_client, nurse, at, second):
    bring(nurse_client, at)
    answer = check(nurse_client, at, DonationUnit.objects.get(), second="rowan", secret=PIN)
    assert answer.status_code == 302
    unit = DonationUnit.objects.get()
    assert (unit.state, unit.first_checker, unit.second_checker) == ("checked", nurse, second)
    assert "Nurse of Saltmarsh Day Unit, Rowan Marsh, 10:00" in text_of(nurse_client.get(at("units")))


def test_a_wrong_pin_signs_nothing_is_recorded_and_is_not_printed_back(nurse_client, at, second):
    bring(nurse_client, at)
    unit = DonationUnit.objects.get()
    answer = check(nurse_client, at, unit, second="rowan", secret="135790")
    assert "Name and PIN do not fit together" in text_of(answer)
    assert "135790" not in answer.content.decode()
    assert TrailEntry.objects.filter(action="refused a name and PIN").count() == 1
    assert (DonationUnit.objects.get().first_checker, Entry.objects.filter(kind="unit_checked").count()) == (None, 0)
    for _ in range(4):
        check(nurse_client, at, unit, second="rowan", secret="135790")
    page = text_of(check(nurse_client, at, unit, second="rowan", secret=PIN))
    assert "sign the check on another tablet with your own sign-in, or wait." in page


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"wristband": "R2"}, "not the same person"),
        ({"asked": ""}, "Ask the person for name and birth date"),
        ({"number": "A999915000001M"}, "In your hand is A9999 15 000001"),
        ({"second": "rowan"}, "The second checker types their own PIN"),
        ({"secret": PIN}, "Say whose PIN this is"),
        ({"second": "rowan", "secret": PIN, "emergency": "x"}, "leave one of the two empty"),
    ],
)
def test_a_check_that_cannot_stand_is_refused(nurse_client, at, second, typed, words):
    bring(nurse_client, at)
    answer = check(nurse_client, at, DonationUnit.objects.get(), **typed)
    assert words in text_of(answer)
    assert DonationUnit.objects.get().state == "at_chair"
    stopped = TrailEntry.objects.filter(action="unit stopped").count()
    assert stopped == (1 if "wristband" in typed or "number" in typed else 0)


def test_the_second_person_checks_on_their_own_sign_in(nurse_client, client, at, second):
    bring(nurse_client, at)
    assert check(nurse_client, at, DonationUnit.objects.get()).status_code == 302
    unit = DonationUnit.objects.get()
    assert "You made the first check" in text_of(nurse_client.get(at("unit_check", 1)))
    assert "You made the first check" in text_of(check(nurse_client, at, unit))
    client.force_login(second)
    assert check(client, at, unit).status_code == 302
    assert DonationUnit.objects.get().state == "checked"


def test_one_person_alone_in_an_emergency_gives_a_reason_that_everybody_sees(nurse_client, at):
    bring(nurse_client, at)
    assert check(nurse_client, at, DonationUnit.objects.get(), emergency="night, one nurse").status_code == 302
    assert "one person: night, one nurse" in text_of(nurse_client.get(at("units")))


# Starting, ending, putting away


def checked(client, at):
    bring(client, at)
    check(client, at, DonationUnit.objects.get(), second="rowan", secret=PIN)
    return DonationUnit.objects.get()


def do(client, at, name, unit, **more):
    return client.post(at(name, unit.place), {"receipt": new_key(), "version": unit.version, **more})


def test_a_unit_is_started_and_ended_with_one_touch_each(nurse_client, at, second):
    unit = checked(nurse_client, at)
    assert do(nurse_client, at, "unit_start", unit).status_code == 302
    shown = text_of(nurse_client.get(at("units")))
    assert "slow until 10:15 , at most 50 mL" in shown
    assert "end by 13:55" in shown
    unit.refresh_from_db()
    assert do(nurse_client, at, "unit_end", unit).status_code == 302
    unit.refresh_from_db()
    assert unit.state == "given"


def test_a_refused_start_says_why_on_its_own_page(nurse_client, at, second):
    unit = checked(nurse_client, at)
    CrossmatchSample.objects.update(taken_at=NOW - timedelta(hours=73))
    said = text_of(do(nurse_client, at, "unit_start", unit))
    assert "The crossmatch sample of 29 May 09:00 was valid until 1 Jun 09:00" in said
    assert "no unit may be started on it" in text_of(nurse_client.get(at("units")))


@pytest.mark.parametrize("method", ["two_arm", "automated"])
def test_a_sample_that_ran_out_is_said_at_the_chair_before_anything_is_drawn(nurse_client, at, running, second, method):
    running.method = method
    running.save()
    checked(nurse_client, at)
    pages = ("run", "units")
    assert "No unit can be started" not in "".join(text_of(nurse_client.get(at(page))) for page in pages)
    CrossmatchSample.objects.update(taken_at=NOW - timedelta(hours=73))
    for page in pages:
        answer = nurse_client.get(at(page))
        assert "What is drawn now is not followed by red cells. Usual next steps: send a new sample" in text_of(answer)
        assert 'href="/people/R1/crossmatch/"' in answer.content.decode()
    assert "was valid until 1 Jun 09:00 (72 h" in text_of(nurse_client.get(at("run")))
    CrossmatchSample.objects.create(patient=running.patient, taken_at=NOW)  # the unit came before it
    assert "No unit can be started" in text_of(nurse_client.get(at("run")))
    for place in (1, 2):
        DonationUnit.objects.update_or_create(exchange_session=running, place=place, defaults={"state": "given"})
    assert "No unit can be started" not in text_of(nurse_client.get(at("run")))  # none is to come


@pytest.mark.parametrize(("state", "page"), [("running", "units"), ("authorised", "start"), ("closed", None)])
def test_a_sample_or_consent_recorded_for_today_leads_back_to_its_session(nurse_client, at, running, state, page):
    running.state = state
    running.save()
    there = at(page) if page else "/people/R1/records/"
    sample = {"receipt": new_key(), "taken_on": "31 May 2026", "taken_at": "15:40"}
    assert nurse_client.post("/people/R1/crossmatch/", sample).headers["Location"] == there
    consent = {
        "receipt": new_key(), "given_on": "1 Jun 2026", "valid_until": "1 Jun 2027", "given_by": "the person",
    }  # fmt: skip
    assert nurse_client.post("/people/R1/consent/", consent).headers["Location"] == there


def test_a_site_with_one_check_is_asked_for_no_second_person(nurse_client, nurse, at, site, running):
    assert "It is checked afterwards, by two people." in text_of(nurse_client.get(at("unit_add")))
    make_site_setting(site=site, name="checkers_needed", value=1)
    assert "by two people" not in text_of(nurse_client.get(at("unit_add")))
    bring(nurse_client, at)
    unit = DonationUnit.objects.get()
    page = text_of(nurse_client.get(at("unit_check", 1)))
    assert "One independent check is what this site asks for" in page
    assert "Second checker" not in page
    assert "Emergency" not in page
    assert check(nurse_client, at, unit).status_code == 302
    unit.refresh_from_db()
    assert (unit.state, unit.first_checker, unit.second_checker, unit.emergency_reason) == ("checked", nurse, None, "")


def test_a_unit_checked_by_one_person_in_an_emergency_is_told_apart_on_every_page(nurse_client, at):
    bring(nurse_client, at)
    check(nurse_client, at, DonationUnit.objects.get(), emergency="nobody else on the ward")
    assert "one person: nobody else on the ward" in text_of(nurse_client.get(at("units")))
    assert re.search(r"<td class=.n.>\w+ alone</td>", nurse_client.get(at("run")).content.decode())


@pytest.mark.parametrize("method", ["two_arm", "automated"])
def test_of_a_unit_that_had_to_end_no_more_is_asked_for_and_its_end_is_one_touch_away(
    nurse_client, nurse, at, running, second, method
):
    """Each unit within 4 h: clinical pages of NZ Blood; from leaving storage, common practice."""
    running.method = method
    running.save()
    do(nurse_client, at, "unit_start", checked(nurse_client, at))
    DonationUnit.objects.update(out_of_storage_at=NOW - timedelta(hours=3, minutes=58))
    assert "hangs too long" not in text_of(nurse_client.get(at("run")))
    DonationUnit.objects.update(out_of_storage_at=NOW - timedelta(hours=4, minutes=1))
    answer = nurse_client.get(at("run"))
    said = text_of(answer)
    assert "Unit 1 hangs too long It had to end by 09:59: give no more of it." in said
    assert f'href="{at("unit_end", 1)}"' in answer.content.decode()
    assert f'action="{at("unit_end", 1)}"' in answer.content.decode()
    if method == "two_arm":
        make_entry(running, "moved", {"step": 1, "in_ml": 400, "out_ml": 400}, by=nurse)
        board = nurse_client.get(at("run")).content.decode()
        assert re.search(r"<h1[^>]* data-halted>Unit 1 had to end by 09:59</h1>", board)


def test_a_late_start_asks_for_its_reason(nurse_client, at, second):
    unit = checked(nurse_client, at)
    DonationUnit.objects.update(out_of_storage_at=NOW - timedelta(minutes=50))
    assert "Out of storage 20 min longer than the limit" in text_of(do(nurse_client, at, "unit_start", unit))
    assert do(nurse_client, at, "unit_start", unit, why_late="line moved").status_code == 302


def test_a_unit_is_put_away_with_a_reason_and_listed_last(nurse_client, at):
    bring(nurse_client, at)
    unit = DonationUnit.objects.get()
    assert "Why is needed" in text_of(do(nurse_client, at, "unit_away", unit, state="returned"))
    DonationUnit.objects.update(out_of_storage_at=NOW - timedelta(minutes=47))
    away = {"state": "returned", "reason": "plan changed"}
    said = text_of(do(nurse_client, at, "unit_away", unit, **away))
    assert "47 min; the limit here is 30 min" in said
    assert "discarded, unless the blood bank decides otherwise" in said
    assert do(nurse_client, at, "unit_away", unit, **away, decided="Dr Ives, transfusion").status_code == 302
    assert "returned" in text_of(nurse_client.get(at("units")))
    assert DonationUnit.objects.get().return_decided == "Dr Ives, transfusion"


def test_a_start_by_mistake_is_taken_back(nurse_client, at, second):
    unit = checked(nurse_client, at)
    do(nurse_client, at, "unit_start", unit)
    unit.refresh_from_db()
    assert do(nurse_client, at, "unit_back", unit, reason="wrong row").status_code == 302
    unit.refresh_from_db()
    assert unit.state == "checked"


def test_a_coordinator_sees_no_units_page_and_signs_nothing(coordinator_client, at):
    assert coordinator_client.get(at("units")).status_code == 403
    assert coordinator_client.post(at("unit_add"), LABEL).status_code == 403
    assert coordinator_client.post(at("reaction_stop")).status_code == 403


def test_a_unit_that_does_not_exist_is_not_found(nurse_client, at):
    assert nurse_client.get(at("unit_check", 7)).status_code == 404


def test_the_units_page_asks_the_same_number_of_queries_for_one_and_three_units(nurse_client, running, nurse, at):
    counts = []
    nurse_client.get(at("units"))  # the first look is written down; the next ones are not
    for place in (1, 2, 3):
        make_unit(running, place=place, donation_number=f"G12349865432{place}", state="checked", first_checker=nurse)
        if place != 2:
            with CaptureQueriesContext(connection) as seen:
                nurse_client.get(at("units"))
            counts.append(len(seen))
    assert counts[0] == counts[1]
    assert counts[0] <= 19


# Reactions


def reaction(client, at, **changes):
    sent = {"kind": "febrile", "signs": "rigors, 39.1", "done": "stopped", "receipt": new_key()}
    return client.post(at("reaction"), sent | changes)


def test_the_first_actions_stand_in_order_in_the_sites_own_words(nurse_client, site, at):
    shown = nurse_client.get(at("reaction")).content.decode()
    first = [shown.index(words) for words in ("Stop the transfusion", "Keep the line open", "Call the doctor")]
    assert first == sorted(first)
    SiteText.objects.create(site=site, name="first_actions", text="Clamp.\nShout.", since=NOW, reason="our own drill")
    shown = text_of(nurse_client.get(at("reaction")))
    assert "Clamp. Shout." in shown
    assert "Stop the transfusion" not in shown


def test_stopping_the_run_is_one_touch_and_twice_is_once(nurse_client, at):
    for _ in range(2):
        assert nurse_client.post(at("reaction_stop")).headers["Location"] == at("reaction")
    assert Entry.objects.filter(kind="pause").count() == 1
    assert "Stopped at 10:00" in text_of(nurse_client.get(at("reaction")))


def test_a_stop_after_the_run_went_on_stops_it_again(nurse_client, running, nurse, at):
    nurse_client.post(at("reaction_stop"))
    nurse_client.post(at("enter"), {"kind": "resume", "words": "Dr Calloway: go on", "receipt": new_key()})
    nurse_client.post(at("reaction_stop"))
    assert list(Entry.objects.order_by("number").values_list("kind", flat=True))[-3:] == ["pause", "resume", "pause"]


def test_a_reaction_is_noted_and_shown_with_its_unit(nurse_client, running, nurse, at):
    make_unit(running, donation_number=NUMBER, state="running", started_at=NOW - timedelta(minutes=20))
    assert "Unit 1, G123498654321 , was being given" in text_of(nurse_client.get(at("reaction"))).replace("  ", " ")
    assert reaction(nurse_client, at, unit="1").status_code == 302
    shown = text_of(nurse_client.get(at("reaction")))
    assert "Febrile, not haemolytic" in shown
    assert "unit 1: rigors, 39.1" in shown
    assert FollowUp.objects.get().kind == "reaction"
    assert Entry.objects.filter(kind="pause").exists()


def test_a_kind_that_does_not_fit_its_time_is_asked_about(nurse_client, running, at):
    make_unit(running, state="given", started_at=NOW - timedelta(hours=4), ended_at=NOW - timedelta(hours=3))
    said = text_of(reaction(nurse_client, at, unit="1"))
    assert "begins within 2 h by definition, this began later" in said
    assert not AdverseEvent.objects.exists()
    assert reaction(nurse_client, at, unit="1", **{"right-kind": "febrile"}).status_code == 302


def test_suspected_haemolysis_bars_red_cells(nurse_client, running, at):
    assert reaction(nurse_client, at, kind="acute_haemolytic").status_code == 302
    assert HaemolysisSign.objects.get().sign == "reaction"


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"signs": ""}, "What was seen is needed"),
        ({"kind": ""}, "What it looks like is needed"),
        ({"when": "11:30"}, "still to come"),
        ({"when": "9 o'clock"}, "is not a time"),
        ({"severity": "4", "imputability": "unlikely"}, "Grade 4 is for a death"),
    ],
)
def test_a_reaction_that_cannot_be_is_refused_on_the_page(nurse_client, at, typed, words):
    assert words in text_of(reaction(nurse_client, at, **typed))
    assert not AdverseEvent.objects.exists()


def test_a_consultant_judges_and_what_was_judged_before_stays_readable(
    consultant_client, nurse_client, running, nurse, patient
):
    event = make_adverse_event(running, by=nurse)
    address = reverse("bedside:judge_reaction", args=["R1", event.pk])
    assert nurse_client.get(address).status_code == 403
    sent = {
        "kind": "febrile", "severity": "2", "imputability": "probable", "outcome": "well", "version": "1",
        "receipt": new_key(),
    }  # fmt: skip
    assert consultant_client.post(address, sent).status_code == 302
    again = sent | {"severity": "1", "version": "2", "receipt": new_key()}
    assert "say why it is judged anew" in text_of(consultant_client.post(address, again))
    assert consultant_client.post(address, again | {"why": "hospital stay was planned"}).status_code == 302
    assert "severity 2; likely, probable" in text_of(consultant_client.get(address))
    shown = text_of(nurse_client.get(reverse("bedside:reactions", args=["R1"])))
    assert "1, non-severe" in shown
    assert "judged by Consultant" in shown


def test_the_reaction_pages_ask_a_fixed_number_of_queries(consultant_client, running, nurse, at):
    counts = {"reaction": [], "reactions": []}
    for n in range(3):
        make_adverse_event(running, by=nurse, at=NOW + timedelta(minutes=n))
        if n != 1:
            for name, address in (("reaction", at("reaction")), ("reactions", "/people/R1/reactions/")):
                consultant_client.get(address)  # the first look is written down; the next one is not
                with CaptureQueriesContext(connection) as seen:
                    consultant_client.get(address)
                counts[name].append(len(seen))
    assert counts["reaction"][0] == counts["reaction"][1]
    assert counts["reactions"][0] == counts["reactions"][1] <= 6


def test_a_reaction_of_another_person_is_not_found(consultant_client, running, nurse, site):
    event = make_adverse_event(running, by=nurse)
    make_exchange_session(make_patient("R2", site=site))
    assert consultant_client.get(reverse("bedside:judge_reaction", args=["R2", event.pk])).status_code == 404
