"""The bedside page, the checks before starting, the change of plan: who may, what is kept, and how many queries."""

import json
import re
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.urls import reverse

from patients.models import Consent, CrossmatchSample, Patient
from patients.services import record_consent, withdraw_consent
from programme.bedside.queries.run_rows import initials
from programme.core.models import TrailEntry
from programme.core.services import REFUSED, TRIES
from sessions.day.models import Entry, Prescription
from sessions.day.queries import tally_of
from sessions.models import DonationUnit, ExchangeSession
from sessions.services import note_haemolysis_sign
from tests.conftest import client_of
from tests.factories import (
    NOW,
    PASSWORD,
    TODAY,
    make_entry,
    make_exchange_session,
    make_measure,
    make_patient,
    make_prescription,
    make_running,
    make_site_setting,
    make_user,
)
from tests.looks import A_LOOK

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
DRAW = {"step": "1", "out_ml": "200", "in_ml": "200"}


@pytest.fixture
def signer(site):
    return make_user(site=site, role="consultant", username="r.marsh", full_name="R. Marsh", with_password=True)


@pytest.fixture
def running(site, signer):
    return make_running(make_patient("R7", site=site), by=signer, unit_state="running")


def at(exchange_session, name, *more):
    return reverse(f"bedside:{name}", args=[exchange_session.patient.patient_ref, exchange_session.pk, *more])


def send(client, exchange_session, user, kind="moved", key="k1", fields=None, **more):
    said = {"key": key, "kind": kind, "by": user.pk, "seen": 0, "waited_s": 0, "fields": fields or DRAW, **more}
    return client.post(at(exchange_session, "enter"), json.dumps(said), content_type="application/json")


def test_an_open_sign_of_haemolysis_is_loud_at_the_chair(nurse, nurse_client, running):
    assert "Possible haemolysis" not in nurse_client.get(at(running, "run")).content.decode()
    note_haemolysis_sign(patient=running.patient, on=TODAY, sign="dark_urine", actor=nurse, at=NOW)
    assert "No red cells until a haematologist has decided" in nurse_client.get(at(running, "run")).content.decode()


# What the script sends


def test_an_entry_is_kept_once_whatever_is_sent_again(nurse, nurse_client, running):
    first, again = send(nurse_client, running, nurse), send(nurse_client, running, nurse, waited_s=9)
    assert (first.status_code, first.json()) == (200, {"kept": 3})
    assert (again.status_code, again.json()) == (200, {"kept": 3})
    assert Entry.objects.filter(kind="moved").count() == 1


def test_what_is_kept_names_the_fluid_so_that_a_later_plan_cannot_change_it(nurse, nurse_client, running):
    send(nurse_client, running, nurse, fields={"step": "2", "in_ml": "258", "out_ml": "250", "unit": "1"})
    body = Entry.objects.get(kind="moved").body
    assert (body["fluid"], body["cells_hb_g_l"], body["unit"]) == ("red_cells", 194.0, 1)


@pytest.mark.parametrize(
    ("hb_g", "volume_ml", "kept"),
    [(60, 240, 250.0), (None, 240, 194.0), (60, None, 194.0), (100, 240, 194.0)],
    ids=["as labelled", "no Hb said", "no volume said", "more than cells have"],
)
def test_the_hb_of_a_unit_counts_where_its_label_says_it(nurse, nurse_client, running, hb_g, volume_ml, kept):
    # 60 g in 240 mL are 250 g/L (worked out here); the plan has 194.
    running.donation_units.filter(place=1).update(hb_g=hb_g, volume_ml=volume_ml)
    send(nurse_client, running, nurse, fields={"step": "2", "in_ml": "240", "out_ml": "240", "unit": "1"})
    assert Entry.objects.get(kind="moved").body["cells_hb_g_l"] == kept


@pytest.mark.parametrize(
    ("kind", "fields", "words"),
    [
        ("moved", {"step": "1", "out_ml": "NaN"}, "Out: 'NaN' is not a number from 0 to 1500 mL"),
        ("moved", {"step": "1", "out_ml": "1501"}, "Out: 1501 is outside what is allowed"),
        ("moved", {"step": "9", "out_ml": "10"}, "Step 9 is not in the plan in force"),
        ("moved", {"step": "1", "out_ml": "0"}, "0 mL of both says nothing"),
        ("moved", {"step": "1", "weighed_g": "500"}, "Choose the kind of bag"),
        ("moved", {"step": "1", "weighed_g": "40", "bag": "large"}, "no more than the empty bag"),
        ("observation", {"moment": "interval"}, "Enter at least one observation"),
        ("observation", {"moment": "interval", "pulse": "400"}, "Pulse: 400 is outside what is allowed"),
        ("undo", {"target": "1"}, r"Entry 1 (start check) cannot be undone"),
        ("undo", {"target_key": "never"}, "was never kept"),
        ("time", {"target": "2", "clock": "25:00", "why": "x"}, "'25:00' is not a time such as 10:15"),
        ("time", {"target": "2", "clock": "23:00", "why": "x"}, "is in the future"),
        ("time", {"target": "2", "clock": "09:55"}, "Say why"),
        ("unit_started", {"unit": "1"}, "is not entered on this page"),
        ("plan", {}, "'plan' was not kept"),
    ],
)
def test_what_cannot_be_is_refused_with_what_is_allowed(nurse, nurse_client, running, kind, fields, words):
    answer = send(nurse_client, running, nurse, kind=kind, fields=fields)
    assert answer.status_code == 422
    assert words in " ".join(answer.json()["refused"])
    assert Entry.objects.count() == 2


@pytest.mark.parametrize(
    "said", ["[]", "{", '{"key": 1}', '{"key": "k", "kind": "moved", "by": 1, "fields": {"step": 1}}', "nul\0"]
)
def test_what_is_no_entry_at_all_is_refused(nurse_client, running, said):
    answer = nurse_client.post(at(running, "enter"), said, content_type="application/json")
    assert answer.status_code == 422
    assert "not understood" in answer.json()["refused"][0]


@pytest.mark.parametrize(
    ("state", "words"),
    [("at_chair", "not checked"), ("checked", "not started"), (None, "is not recorded"), ("discarded", "discarded")],
)
def test_nothing_is_given_from_a_unit_that_was_not_checked_and_started(nurse, nurse_client, running, state, words):
    if state is None:
        DonationUnit.objects.all().delete()
    else:
        DonationUnit.objects.update(state=state, started_at=None, end_reason="spiked")
    answer = send(nurse_client, running, nurse, fields={"step": "2", "in_ml": "258", "out_ml": "0", "unit": "1"})
    assert answer.status_code == 422
    assert words in answer.json()["refused"][0]
    assert send(nurse_client, running, nurse, fields={"step": "2", "out_ml": "250", "unit": "1"}).status_code == 200


def test_an_entry_made_by_somebody_else_waits_for_them(nurse_client, running, signer):
    answer = send(nurse_client, running, signer)
    assert answer.status_code == 409
    assert not Entry.objects.filter(kind="moved").exists()


def test_an_undo_by_key_finds_the_entry_the_page_never_heard_of(nurse, nurse_client, running):
    send(nurse_client, running, nurse, key="lost")
    assert send(nurse_client, running, nurse, kind="undo", key="u", fields={"target_key": "lost"}).status_code == 200
    assert tally_of(running).out_ml == 0


def test_a_time_is_read_at_the_clock_of_the_unit(site, nurse, nurse_client, running):
    send(nurse_client, running, nurse)
    fields = {"target": "3", "clock": "09:30", "why": "entered late"}
    assert send(nurse_client, running, nurse, kind="time", key="t", fields=fields).status_code == 200
    moment = tally_of(running).moved[0].at
    assert (moment.utcoffset(), moment.hour) == (timedelta(hours=1), 9), "summer time in London"


# What the tablets ask for


def test_a_tablet_hears_of_nothing_new_and_of_something_new(nurse, nurse_client, running):
    assert nurse_client.get(at(running, "since", 2)).json() == {"last": 2, "state": "running", "same": True}
    send(nurse_client, running, nurse)
    said = nurse_client.get(at(running, "since", 2)).json()
    assert (said["last"], said["same"]) == (3, False)
    assert "200 / 200" in said["html"]


@pytest.mark.parametrize("entries", [1, 3])
def test_the_page_and_its_poll_ask_a_fixed_number_of_queries(
    django_assert_num_queries, nurse, nurse_client, running, entries
):
    for place in range(entries):
        make_entry(running, "moved", {"step": 1, "in_ml": 10, "out_ml": 10}, by=nurse)
        DonationUnit.objects.create(exchange_session=running, place=5 + place, state="at_chair")
    with django_assert_num_queries(15 + A_LOOK):  # two of them find out who is signed in, one asks for the sample
        nurse_client.get(at(running, "run"))
    last = Entry.objects.filter(exchange_session=running).count()
    with django_assert_num_queries(6):
        nurse_client.get(at(running, "since", last))


def test_a_stop_passed_by_what_was_really_done_is_said_though_the_balance_is_level(nurse, nurse_client, running):
    """By hand: Hb 94 at 4 L; 1.4 L of blood out for as much saline leave 94·exp(−1.4/4) = 66 g/L."""
    for _ in range(2):
        make_entry(running, "moved", {"step": 1, "in_ml": 700, "out_ml": 700}, by=nurse)
    page = nurse_client.get(at(running, "run")).content.decode()
    assert "inside limits" in page
    assert "Hb is now about 66 g/L, under the 70 g/L it may fall to. Draw no more; tell the prescriber." in page
    assert "1,400 mL of saline are in; 900 mL is the most." in page
    shown, kept = page.split('<script id="coming"')  # large on the page, and with what is shown without the network
    assert shown.count("A stop is passed: ask the prescriber before this. ") == 1
    coming = json.loads(kept.partition(">")[2].partition("</script>")[0])
    assert coming
    assert all(one["sentence"].startswith("A stop is passed: ask the prescriber before this. ") for one in coming)
    assert "Draw meanwhile" not in page
    assert page.count("up to 1 g/L or 10 mL past a stop is not said") == 1
    Entry.objects.filter(kind="moved").update(body={"step": 1, "in_ml": 200, "out_ml": 200})
    page = nurse_client.get(at(running, "run")).content.decode()
    assert "may fall to" not in page
    assert "ask the prescriber before this" not in page


@pytest.mark.parametrize(("given", "said"), [(0, 2), (460, 0)])
def test_each_bag_of_a_last_draw_for_good_says_that_nothing_is_given_back(
    nurse, nurse_client, site, signer, given, said
):
    """One arm: saline drawn and given back, and 460 mL in two bags at the end; in the other plan they were given."""
    steps = [(0, [260]), (260, []), *([(given, [])] if given else []), (0, [250, 210])]
    plan = [
        {"number": n, "fluid": "saline", "units": [], "in_ml": in_ml, "out_ml": sum(draws), "draws": draws, "why": "",
         "cells_hb_g_l": 0.0}
        for n, (in_ml, draws) in enumerate(steps, 1)
    ]  # fmt: skip
    session = make_running(make_patient("R9", site=site), by=signer, units=0, steps=plan, method="one_arm")
    found = []
    for n, (in_ml, draws) in enumerate(steps, 1):
        for out_ml in draws or [0]:
            page = nurse_client.get(at(session, "run")).content.decode().split('id="coming"')[0]
            if out_ml:
                assert f"Draw {out_ml} mL" in page
            found.append("give nothing back for it" in page)
            make_entry(session, "moved", {"step": n, "in_ml": in_ml, "out_ml": out_ml}, by=nurse)
    assert found == [False] * (len(found) - said) + [True] * said


@pytest.mark.parametrize("flagged", [False, True])
def test_through_one_arm_a_step_of_both_is_given_first_to_whoever_has_a_flag(nurse_client, site, signer, flagged):
    """A plan as it was stored before its steps were parted is carried out in the order that its person needs."""
    step = {"number": 1, "fluid": "red_cells", "units": [1], "in_ml": 258, "out_ml": 250, "draws": [250], "why": "",
            "cells_hb_g_l": 194.0}  # fmt: skip
    patient = make_patient("R9", site=site, flag_brain=flagged)
    session = make_running(patient, by=signer, units=1, steps=[step], method="one_arm")
    page = nurse_client.get(at(session, "run")).content.decode()
    assert "meanwhile" not in page, "nothing goes in while blood is drawn"
    page = page.split('id="coming"')[0]
    assert ("Give unit 1, 258 mL." in page, "Draw 250 mL." in page) == (flagged, not flagged)


@pytest.mark.parametrize(("flagged", "method", "planned_ml", "said"), [
    (True, "one_arm", -4.0, True), (False, "one_arm", -4.0, False), (True, "two_arm", -4.0, False),
    (True, "one_arm", -130.0, False),
])  # fmt: skip
def test_a_draw_ahead_of_what_is_given_is_said_at_the_chair_unless_it_was_signed(
    nurse, nurse_client, site, signer, flagged, method, planned_ml, said
):
    step = {"number": 1, "fluid": "saline", "units": [], "in_ml": 300, "out_ml": 300, "draws": [150, 150], "why": "",
            "cells_hb_g_l": 0.0, "balance_ml": planned_ml}  # fmt: skip
    patient = make_patient("R9", site=site, flag_lung_pressure=flagged)
    session = make_running(patient, by=signer, units=0, steps=[step], method=method)
    make_entry(session, "moved", {"step": 1, "in_ml": 0, "out_ml": 150}, by=nurse)
    page = nurse_client.get(at(session, "run")).content.decode()
    assert ("150 mL drawn ahead; with this flag it is given first" in page) is said


def test_consent_taken_back_on_the_day_is_loud_at_the_chair_with_who_and_when(nurse, nurse_client, running):
    days = {"given_on": TODAY - timedelta(days=30), "valid_until": TODAY + timedelta(days=300)}
    said = {"patient": running.patient, "given_by": "the person", "actor": nurse, "at": NOW}
    consent = record_consent(**said, **days)
    withdraw_consent(consent=consent, on=TODAY, why="enough for today", actor=nurse, at=NOW)
    words = f"Consent taken back on Mon 1 Jun; recorded 10:00 by {nurse.full_name}: enough for today."
    for name in ("run", "units"):
        html = re.sub("<[^>]*>", "", nurse_client.get(at(running, name)).content.decode())
        assert words in " ".join(html.split())
    board = nurse_client.get(at(running, "since", 0)).json()["html"]
    assert re.search(r"<h1[^>]* data-halted>Stopped: consent taken back</h1>", board)
    record_consent(**said, **days | {"given_on": TODAY})
    assert "Stopped: consent taken back" not in nurse_client.get(at(running, "since", 0)).json()["html"]


def test_a_coordinator_opens_no_bedside_page(coordinator_client, running):
    for name in ("run", "start", "enter", "change"):
        assert coordinator_client.get(at(running, name)).status_code == 403


# Before starting

FIT = {
    "name_and_birth": "yes",
    "wristband": "R8",
    "access": "in",
    "infection": "no",
    "pregnancy": "not_pregnant",
    "medicines": "held",
    "bp_sys": "118",
    "pulse": "76",
    "temp_c": "36.8",
}


@pytest.fixture
def authorised(site, signer):
    patient = make_patient("R8", site=site)
    make_measure(patient, on=TODAY, weight_kg=60)
    Consent.objects.create(patient=patient, given_on=date(2026, 1, 5), valid_until=date(2027, 1, 4))
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    exchange_session = make_exchange_session(patient, on=TODAY, state="authorised", origin="here", hbs_after_pct=None)
    make_prescription(exchange_session, signed_by=signer)
    return exchange_session


def begin(client, exchange_session, key="key-of-the-form", **changed):
    sent = {"receipt": key, "version": str(exchange_session.version), **FIT, **changed}
    return client.post(at(exchange_session, "start"), sent)


def test_a_session_starts_with_what_was_asked_and_the_observations_before(nurse_client, authorised):
    answer = begin(nurse_client, authorised, taken="09:40")
    assert answer.status_code == 302
    assert answer["Location"] == at(authorised, "run")
    stored = ExchangeSession.objects.get(pk=authorised.pk)
    assert stored.state == "running"
    assert stored.started_at is not None
    check, before = Entry.objects.filter(exchange_session=authorised).order_by("number")
    assert check.body["answers"]["wristband"] == "R8"
    assert check.body["found"] == []
    assert (before.body["moment"], before.body["bp_sys"]) == ("before", 118)
    assert before.happened_at == NOW - timedelta(minutes=20), "09:40 by the unit's clock is 08:40 in UTC"


def test_observations_of_before_midnight_need_no_day(nurse, authorised):
    just_after_midnight = datetime(2026, 6, 2, 0, 20, tzinfo=ZoneInfo("Europe/London"))
    ExchangeSession.objects.filter(pk=authorised.pk).update(on=just_after_midnight.date())
    with time_machine.travel(just_after_midnight, tick=True):
        answer = begin(client_of(nurse), authorised, taken="23:50")
    assert answer.status_code == 302
    before = Entry.objects.get(exchange_session=authorised, kind="observation")
    assert before.happened_at == just_after_midnight - timedelta(minutes=30)


def test_sending_the_form_twice_starts_once(nurse_client, authorised):
    assert begin(nurse_client, authorised).status_code == 302
    assert begin(nurse_client, authorised).status_code == 302
    assert Entry.objects.filter(exchange_session=authorised).count() == 2


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"wristband": "R9"}, "not the same person"),
        ({"bp_sys": "88"}, "Systolic 88 mmHg, under 90: no exchange. Usual next steps: lie the person flat"),
        ({"bp_sys": "88", "right-bp_sys": "88"}, "Systolic 88 mmHg, under 90: no exchange"),
        ({"taken": "08:45"}, "Take them again"),
        ({"access": "failed"}, "another site or ultrasound"),
    ],
)
def test_what_nobody_can_let_pass_keeps_it_from_starting(nurse_client, authorised, signer, changed, words):
    reason = {"decided_by": str(signer.pk), "reason": "we must"}
    answer = begin(nurse_client, authorised, **{**changed, **reason})
    assert answer.status_code == 200
    assert words in answer.content.decode()
    assert ExchangeSession.objects.get(pk=authorised.pk).state == "authorised"
    assert not Entry.objects.filter(exchange_session=authorised).exists()


def test_a_value_that_is_asked_about_hides_nothing_else_that_stands_in_the_way(nurse_client, authorised):
    """All faults in one go: an unusual pressure is asked about, and not also said to be missing."""
    page = begin(nurse_client, authorised, bp_sys="198", wristband="R9", infection="yes").content.decode()
    assert "Systolic" in page and "usual is" in page
    assert "not the same person" in page
    assert "name the prescriber" in page
    assert "Measure the blood pressure" not in page


def test_a_pressure_too_low_for_any_exchange_is_not_asked_about(nurse_client, authorised):
    """Whether 88 is right changes nothing: it stops, and no tick stands beside it."""
    page = begin(nurse_client, authorised, bp_sys="88").content.decode()
    assert "no exchange" in page
    assert "usual is 90" not in page
    assert "It is right" not in page


def test_the_prescriber_lets_a_fever_pass_and_the_reason_is_kept(nurse_client, authorised, signer):
    assert "name the prescriber" in begin(nurse_client, authorised, infection="yes").content.decode()
    reason = {"decided_by": str(signer.pk), "reason": "source known, antibiotics since yesterday"}
    assert begin(nurse_client, authorised, infection="yes", secret=PASSWORD, **reason).status_code == 302
    check = Entry.objects.get(exchange_session=authorised, kind="start_check")
    assert (check.body["decided_by"], check.why) == (signer.pk, reason["reason"])
    assert check.body["found"] == ["Fever or infection. The prescriber decides."]


@pytest.mark.parametrize("hours", [None, 73])
def test_nothing_is_drawn_from_somebody_for_whom_no_unit_could_be_started(nurse_client, authorised, signer, hours):
    """Red cells given in the last 3 months: the sample holds 72 h (Milkins et al., Transfus Med 2013;23:3-35)."""
    CrossmatchSample.objects.all().delete()
    words = "No crossmatch sample is recorded"
    if hours:
        make_exchange_session(authorised.patient, on=TODAY - timedelta(days=28))
        CrossmatchSample.objects.create(patient=authorised.patient, taken_at=NOW - timedelta(hours=hours))
        words = "no unit may be started on it"
    assert words in nurse_client.get(at(authorised, "start")).content.decode()
    page = begin(nurse_client, authorised).content.decode()
    assert "Once blood is drawn red cells must be able to follow" in page
    assert ExchangeSession.objects.get(pk=authorised.pk).state == "authorised"
    reason = {"decided_by": str(signer.pk), "secret": PASSWORD, "reason": "it is in the laboratory, not yet entered"}
    assert begin(nurse_client, authorised, **reason).status_code == 302
    assert words in Entry.objects.get(exchange_session=authorised, kind="start_check").body["found"][0]


@pytest.mark.parametrize(
    ("secret", "words", "recorded"),
    [
        ("", "types their own PIN or password", 0),
        ("not the password", "Name and PIN do not fit together", 1),
    ],
    ids=["picked from the list", "wrong PIN"],
)
def test_a_prescriber_who_did_not_prove_themselves_lets_nothing_pass(
    nurse_client, authorised, signer, secret, words, recorded
):
    said = {"decided_by": str(signer.pk), "reason": "we must", "secret": secret}
    assert words in begin(nurse_client, authorised, infection="yes", **said).content.decode()
    assert ExchangeSession.objects.get(pk=authorised.pk).state == "authorised"
    assert not Entry.objects.filter(exchange_session=authorised).exists()
    assert TrailEntry.objects.filter(chain=f"site:{signer.site_id}", action=REFUSED).count() == recorded


def test_after_too_many_wrong_pins_it_says_what_the_prescriber_can_do_for_a_start(nurse_client, authorised, signer):
    said = {"decided_by": str(signer.pk), "reason": "we must", "infection": "yes"}
    for n in range(TRIES):
        begin(nurse_client, authorised, secret="wrong", receipt=f"w{n}", **said)
    page = begin(nurse_client, authorised, secret=PASSWORD, **said).content.decode()
    assert "who lets it go on signs in themselves and starts the session, or wait." in page
    assert "sign the check" not in page
    assert ExchangeSession.objects.get(pk=authorised.pk).state == "authorised"


def test_a_prescriber_who_is_signed_in_needs_no_second_proof(authorised, signer):
    said = {"decided_by": str(signer.pk), "reason": "source known"}
    assert begin(client_of(signer), authorised, infection="yes", **said).status_code == 302
    check = Entry.objects.get(exchange_session=authorised, kind="start_check")
    assert (check.body["decided_by_name"], check.by, check.why) == ("R. Marsh", signer, "source known")


def test_one_prescriber_does_not_decide_in_the_name_of_another(authorised, signer, consultant):
    said = {"decided_by": str(signer.pk), "reason": "source known"}
    assert "their own PIN" in begin(client_of(consultant), authorised, infection="yes", **said).content.decode()
    assert ExchangeSession.objects.get(pk=authorised.pk).state == "authorised"


def test_red_cells_without_their_unit_are_refused_also_when_sent_again_after_a_cut(nurse, nurse_client, running):
    fields = {"step": "2", "in_ml": "258", "out_ml": "250"}
    for waited in (0, 900):
        answer = send(nurse_client, running, nurse, key=f"w{waited}", fields=fields, waited_s=waited)
        assert answer.status_code == 422
        assert "258 mL of red cells: say from which unit" in answer.content.decode()
    assert not Entry.objects.filter(kind="moved").exists()
    assert send(nurse_client, running, nurse, key="u", fields=fields | {"unit": "1"}).status_code == 200


@pytest.fixture
def at_unit_one(running, nurse):
    """The saline is done, and unit 1 was started at nine by the clock of the server, ten at the unit."""
    DonationUnit.objects.filter(place=2).update(state="checked", started_at=None)
    make_entry(running, "moved", {"step": 1, "in_ml": 400, "out_ml": 400}, by=nurse)
    return running


def test_a_whole_unit_in_its_slow_start_is_asked_about_before_it_is_entered(nurse_client, at_unit_one):
    asks = "258 mL of unit 1 by 10:15 is more than the 50 mL of its slow start. Enter it only if so much has gone in."
    assert asks in nurse_client.get(at(at_unit_one, "run")).content.decode()
    DonationUnit.objects.filter(place=1).update(started_at=NOW - timedelta(minutes=16))
    assert "slow start" not in nurse_client.get(at(at_unit_one, "run")).content.decode()


@pytest.mark.parametrize(
    ("volumes", "minutes", "said"),
    [
        (["50"], 0, ""),
        (
            ["51"],
            0,
            "Saved. 51 mL of unit 1 by 10:15 is more than the 50 mL of its slow start. If it is not right, undo it",
        ),
        (["40", "20"], 0, "Saved. 60 mL of unit 1 by 10:15"),
        (["258"], 16, ""),
    ],
    ids=["as much as it may be", "one more", "in two parts", "after it"],
)
def test_without_script_too_much_in_a_slow_start_is_kept_and_asked_about(
    nurse_client, at_unit_one, volumes, minutes, said
):
    DonationUnit.objects.filter(place=1).update(started_at=NOW - timedelta(minutes=minutes))
    for n, volume in enumerate(volumes):
        fields = {"kind": "moved", "receipt": f"r{n}", "step": "2", "unit": "1", "in_ml": volume, "out_ml": ""}
        page = nurse_client.post(at(at_unit_one, "enter"), fields, follow=True).content.decode()
    assert tally_of(at_unit_one).units[1].in_ml == sum(float(volume) for volume in volumes)
    assert (said or "Saved.") in page
    assert ("If it is not right" in page) == bool(said)


def test_a_unit_that_waited_while_the_plan_was_changed_is_not_kept_as_saline(nurse, nurse_client, running, signer):
    steps = [{"number": n, "fluid": "saline", "units": [], "in_ml": 400, "out_ml": 400} for n in (1, 2)]
    Prescription.objects.update(replaced_at=NOW)
    make_prescription(running, signed_by=signer, number=2, steps=steps)
    fields = {"step": "2", "in_ml": "258", "out_ml": "250", "unit": "1"}
    answer = send(nurse_client, running, nurse, fields=fields, waited_s=300)
    assert answer.status_code == 422
    assert "258 mL of unit 1: step 2 of the plan in force is saline." in answer.json()["refused"][0]
    assert not Entry.objects.filter(kind="moved").exists()


@pytest.mark.parametrize(
    ("volumes", "said"),
    [
        (["283"], ""),
        (["284"], "Saved. 284 mL of unit 1 is more than the 258 mL on its label. If it is not right, undo it"),
        (["258", "258"], "Saved. 516 mL of unit 1 is more than the 258 mL on its label."),
    ],
    ids=["a tenth over", "one more", "the second unit entered as the first"],
)
def test_without_script_more_of_a_unit_than_its_label_says_is_kept_and_asked_about(
    nurse_client, at_unit_one, volumes, said
):
    DonationUnit.objects.filter(place=1).update(started_at=NOW - timedelta(minutes=16))
    for n, volume in enumerate(volumes):
        fields = {"kind": "moved", "receipt": f"r{n}", "step": "2", "unit": "1", "in_ml": volume, "out_ml": ""}
        page = nurse_client.post(at(at_unit_one, "enter"), fields, follow=True).content.decode()
    assert tally_of(at_unit_one).units[1].in_ml == sum(float(volume) for volume in volumes)
    assert (said or "Saved.") in page
    assert ("If it is not right" in page) == bool(said)


def test_a_touch_of_more_than_the_label_of_its_unit_is_asked_about_before_it_is_entered(nurse_client, at_unit_one):
    DonationUnit.objects.filter(place=1).update(started_at=NOW - timedelta(minutes=16), volume_ml=200)
    asks = "258 mL of unit 1 is more than the 200 mL on its label. Enter it only if so much has gone in."
    assert asks in nurse_client.get(at(at_unit_one, "run")).content.decode()
    DonationUnit.objects.filter(place=1).update(volume_ml=258)
    assert "on its label. Enter" not in nurse_client.get(at(at_unit_one, "run")).content.decode()


def test_without_consent_in_date_it_does_not_start_by_itself(nurse_client, authorised):
    Consent.objects.update(valid_until=date(2026, 5, 31))
    assert "No consent is in date" in begin(nurse_client, authorised).content.decode()


def test_only_a_signed_plan_in_force_is_started(nurse_client, authorised):
    Prescription.objects.update(lapsed_at=NOW, lapsed_why="Hb was corrected")
    assert "No signed plan is in force" in begin(nurse_client, authorised).content.decode()
    assert ExchangeSession.objects.get(pk=authorised.pk).state == "authorised"


def test_unusual_observations_are_asked_about_and_taken_when_right(nurse_client, authorised):
    assert "pulse, 130" in begin(nurse_client, authorised, pulse="130").content.decode().lower()
    assert begin(nurse_client, authorised, pulse="130", **{"right-pulse": "130"}).status_code == 302


# The plan changed mid-way


def rows(*steps):
    fields = {}
    for place, (fluid, given, drawn) in enumerate(steps, 1):
        fields |= {f"s{place}-fluid": fluid, f"s{place}-in_ml": str(given), f"s{place}-out_ml": str(drawn)}
    return fields


@pytest.fixture
def part_done(running, nurse):
    """The saline is in; of the two units nothing, and only the first hangs."""
    DonationUnit.objects.filter(exchange_session=running, place=2).update(state="checked", started_at=None)
    for _ in range(2):
        make_entry(running, "moved", {"step": 1, "in_ml": 200, "out_ml": 190}, by=nurse)
    make_entry(running, "step_done", {"step": 1}, by=nurse)
    return running


def test_a_changed_plan_is_worked_out_from_what_was_really_done(nurse_client, part_done):
    sent = {"receipt": "r1", "do": "work", **rows(("red_cells", 258, 250))}
    page = nurse_client.post(at(part_done, "change"), sent).content.decode()
    assert "400 mL in, 380 mL out" in page
    assert "So it would end" in page
    assert Prescription.objects.count() == 1


def test_a_draw_that_is_over_is_no_saline_where_the_plan_is_changed(nurse_client, part_done):
    Entry.objects.filter(kind="moved").update(body={"step": 1, "in_ml": 0, "out_ml": 190})
    page = nurse_client.get(at(part_done, "change")).content.decode()
    assert re.search(r"<b>1</b> Draw: 0 mL in, 380 mL out", page)


def test_where_it_stands_and_would_end_is_told_in_the_unit_that_the_site_reads(nurse_client, part_done):
    site = part_done.patient.site
    site.shows_g_dl = True
    site.save()
    part_done.prescriptions.update(predicted={"hbs": [20.0, 19.0, 21.0], "hb_settled": [103.0, 100.0, 106.0]})
    run = nurse_client.get(at(part_done, "run")).content.decode()
    assert "planned 10.3 and 20.0" in run
    assert re.search(r"If it ended now: Hb <i><b>\d{1,2}\.\d</b></i>", run)
    page = nurse_client.get(at(part_done, "change")).content.decode()
    assert re.search(r"Hb 10\.3 <span class=\"u\">g/dL</span>", page)
    sent = {"receipt": "r1", "do": "work", **rows(("red_cells", 258, 250))}
    page = nurse_client.post(at(part_done, "change"), sent).content.decode()
    assert re.search(r"\d\.\d–\d{1,2}\.\d g/dL</span>, with 1 unit in all; planned before: HbS 20\.0, Hb 10\.3", page)


@pytest.mark.parametrize("page", ["start", "run", "units"])
def test_a_flag_is_said_at_the_chair_beside_the_name(nurse_client, authorised, running, page):
    session = authorised if page == "start" else running
    assert "flag cerebrovascular" not in nurse_client.get(at(session, page)).content.decode()
    Patient.objects.filter(pk=session.patient_id).update(flag_brain=True, flag_heart=True)
    assert "<b>flag cerebrovascular, cardiac</b>" in nurse_client.get(at(session, page)).content.decode()


@pytest.mark.parametrize(("flagged", "method"), [(True, "one_arm"), (False, "one_arm"), (True, "two_arm")])
def test_a_changed_plan_that_draws_first_is_said_of_somebody_with_a_flag(nurse_client, part_done, flagged, method):
    """By hand: 20 mL over so far; 258 mL drawn before the unit is in leave 238 mL short, and 216 after 280 mL."""
    part_done.prescriptions.update(method=method)
    Patient.objects.filter(pk=part_done.patient_id).update(flag_heart=flagged)
    sent = {"receipt": "r1", "do": "work", **rows(("saline", 0, 258), ("red_cells", 258, 0))}
    page = nurse_client.post(at(part_done, "change"), sent).content.decode()
    words = "Drawn first: up to 238 mL more is drawn than was given before it."
    assert (words in page) is (flagged and method == "one_arm")


def test_typing_a_changed_plan_answers_with_what_is_reckoned_and_touches_no_field(nurse_client, part_done):
    typed = {"receipt": "r1", "why": "one unit was not usable", **rows(("red_cells", 258, 250))}
    part = nurse_client.post(at(part_done, "change"), typed, headers={"HX-Request": "true"}).content.decode()
    assert "So it would end" in part
    assert "<form" not in part
    worse = typed | {"s1-out_ml": "a lot"}
    part = nurse_client.post(at(part_done, "change"), worse, headers={"HX-Request": "true"}).content.decode()
    assert "Cannot say" in part
    assert "So it would end" not in part
    assert Prescription.objects.count() == 1


def test_a_prescriber_signs_the_changed_plan_at_the_chair_by_password(nurse_client, part_done, signer, nurse):
    sent = {
        "receipt": "r1", "do": "sign", "why": "one unit was not usable", "prescriber": signer.username,
        "secret": PASSWORD, "passing": "agreed by telephone", **rows(("red_cells", 258, 250)),
    }  # fmt: skip
    answer = nurse_client.post(at(part_done, "change"), sent)
    assert answer.status_code == 302, answer.content.decode()
    plan = Prescription.objects.in_force().get(exchange_session=part_done)
    assert (plan.number, plan.authorised_by, plan.made_by) == (2, signer, nurse)
    assert [(step["in_ml"], step["out_ml"], step["units"]) for step in plan.steps] == [(400, 380, []), (258, 250, [1])]
    state = tally_of(part_done)
    assert (state.in_ml, state.out_ml) == (400, 380)
    assert state.current.planned.number == 2


def standing_of(page):
    return re.search(r'name="standing" value="([^"]+)"', page)[1]


def test_rows_shown_before_a_step_was_finished_are_not_signed_for_the_steps_after_it(nurse, running, signer):
    """Saline was left when the page was opened, and another tablet finishes it: its row is not the next step's."""
    DonationUnit.objects.filter(exchange_session=running, place=2).update(state="checked", started_at=None)
    client = client_of(signer)
    laid = rows(("saline", 400, 400), ("red_cells", 258, 250))
    sent = {"receipt": "r1", "do": "sign", "why": "one unit was not usable", "passing": "agreed", **laid}
    sent["standing"] = standing_of(client.get(at(running, "change")).content.decode())
    for _ in range(2):
        make_entry(running, "moved", {"step": 1, "in_ml": 200, "out_ml": 200}, by=nurse)
    assert "its row is taken out" in client.post(at(running, "change"), sent | {"why": ""}).content.decode()
    page = client.post(at(running, "change"), sent).content.decode()
    assert "Step 1 was finished since these rows were shown: its row is taken out" in page
    assert re.search(r'name="s1-in_ml"[^>]*value="258"', page), "what is left is kept as it was typed"
    assert Prescription.objects.filter(exchange_session=running).count() == 1
    again = sent | rows(("red_cells", 258, 250)) | {"s2-fluid": "", "s2-in_ml": "", "s2-out_ml": ""}
    again |= {"standing": standing_of(page), "receipt": "r2"}
    for _ in range(2):  # the second time it is the same form
        assert client.post(at(running, "change"), again).status_code == 302
    plan = Prescription.objects.in_force().get(exchange_session=running)
    assert [(step["fluid"], step["in_ml"]) for step in plan.steps] == [("saline", 400), ("red_cells", 258)]
    late = client.post(at(running, "change"), again | {"receipt": "r3"}).content.decode()
    assert "The plan was changed, or a step is open again, since these rows were shown." in late
    assert Prescription.objects.filter(exchange_session=running).count() == 2


def test_a_wrong_password_changes_nothing_and_keeps_what_was_typed(nurse_client, part_done, signer):
    sent = {
        "receipt": "r1", "do": "sign", "why": "one unit was not usable", "prescriber": signer.username,
        "secret": "wrong", **rows(("red_cells", 258, 250)),
    }  # fmt: skip
    page = nurse_client.post(at(part_done, "change"), sent).content.decode()
    assert "do not fit together" in page
    assert "one unit was not usable" in page
    assert Prescription.objects.count() == 1


def test_after_too_many_wrong_pins_it_says_what_the_prescriber_can_do_for_a_changed_plan(
    nurse_client, part_done, signer
):
    sent = {"do": "sign", "why": "one unit not usable", "prescriber": signer.username, **rows(("red_cells", 258, 250))}
    for n in range(TRIES):
        nurse_client.post(at(part_done, "change"), {**sent, "receipt": f"w{n}", "secret": "wrong"})
    page = nurse_client.post(at(part_done, "change"), {**sent, "receipt": "r1", "secret": PASSWORD}).content.decode()
    assert "the prescriber signs in themselves and changes the plan, or wait." in page
    assert Prescription.objects.count() == 1


def test_a_consultant_signs_alone_and_a_step_begun_cannot_shrink_under_what_was_done(part_done, signer, nurse):
    make_entry(part_done, "moved", {"step": 2, "in_ml": 0, "out_ml": 200}, by=nurse)
    client = client_of(signer)
    sent = {"receipt": "r1", "do": "sign", "why": "stop early", "passing": "stop early"}
    refused = client.post(at(part_done, "change"), sent | rows(("red_cells", 258, 100))).content.decode()
    assert "200 mL drawn already; its volumes cannot be less" in refused
    assert client.post(at(part_done, "change"), sent | rows(("red_cells", 258, 250))).status_code == 302
    assert Prescription.objects.in_force().get(exchange_session=part_done).authorised_by == signer


def test_a_changed_plan_that_passes_a_hard_stop_is_not_offered_for_signing_and_refused_where_it_is_sent(
    part_done, signer, site
):
    make_site_setting(site=site, name="hard_balance", value=1)
    client, typed = client_of(signer), {"receipt": "r1", "why": "more", **rows(("red_cells", 2500, 0))}
    button, barred = 'value="sign"', "it passes a stop that nobody can pass here"
    assert button in client.get(at(part_done, "change")).content.decode()
    for answer in (
        client.post(at(part_done, "change"), typed | {"do": "work"}),
        client.post(at(part_done, "change"), typed, headers={"HX-Request": "true"}),
    ):
        assert button not in answer.content.decode()
        assert barred in answer.content.decode()
    forged = client.post(at(part_done, "change"), typed | {"do": "sign", "passing": "agreed"})
    assert forged.status_code == 200
    assert "This stop cannot be passed." in forged.content.decode()
    assert button not in forged.content.decode()
    assert Prescription.objects.get(exchange_session=part_done).is_in_force
    better = typed | rows(("red_cells", 258, 250))
    part = client.post(at(part_done, "change"), better, headers={"HX-Request": "true"}).content.decode()
    assert button in part
    assert barred not in part


def test_a_pause_says_who_paused_and_why_until_it_goes_on(nurse, nurse_client, running):
    send(nurse_client, running, nurse, kind="pause", key="p", fields={"words": "line <blocked>"})
    said = f"since 10:00 by {nurse.full_name}: line &lt;blocked&gt;. Nothing is given or drawn until it goes on."
    assert said in nurse_client.get(at(running, "run")).content.decode()
    assert said in nurse_client.get(at(running, "since", 2)).json()["html"]
    send(nurse_client, running, nurse, kind="resume", key="g", fields={})
    assert "&lt;blocked&gt;. Nothing" not in nurse_client.get(at(running, "run")).content.decode()


def test_a_weight_that_is_too_old_is_said_before_anything_is_asked(nurse_client, authorised):
    page = nurse_client.get(at(authorised, "start")).content.decode()
    assert "Too old:" not in page
    authorised.patient.measures.all().delete()
    make_measure(authorised.patient, on=TODAY - timedelta(days=93), weight_kg=60)
    assert "Too old:</b> Weight 60.0 kg" in nurse_client.get(at(authorised, "start")).content.decode()


@pytest.mark.parametrize(
    ("name", "letters"), [("Dr I. Calloway", "IC"), ("A. Fenwick", "AF"), ("Sister M. Orchard", "MO"), ("Ada", "A")]
)
def test_initials_leave_the_title_out(name, letters):
    assert initials(name) == letters
