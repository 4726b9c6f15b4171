"""The page of an automated session at the chair: no touch by hand, its totals beside the plan, and what it asks for."""

import json
import re
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from patients.services import record_consent, withdraw_consent
from programme.bedside.forms.ending import TotalsForm
from sessions.day.models import Entry
from sessions.day.queries import tally_of
from sessions.models import DonationUnit
from tests.day import MACHINE_UNITS, automated_day, finished_day, running_day
from tests.factories import NOW, TODAY, make_entry, make_needs, make_patient

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
TYPED = {
    "started": "06:05", "ended": "08:11", "saline_in_ml": "200", "red_cells_in_ml": "774", "blood_out_ml": "980",
    "units": "3", "end_words": "end haematocrit 0.31",
}  # fmt: skip
BY_HAND = ('id="entry"', 'data-entry="moved"', 'data-entry="step_done"', 'id="weigh"', 'id="coming"', "Change plan")


@pytest.fixture
def patient(site: Any) -> Any:
    patient = make_patient("SM-042", site=site, family_name="Winterbourne", given_name="Adaeze")
    make_needs(patient)
    return patient


@pytest.fixture
def machine(patient, nurse, consultant):
    session = automated_day(patient, nurse=nurse, consultant=consultant, entries=MACHINE_UNITS)
    DonationUnit.objects.update(state="given")  # as ending each of them leaves it
    return session


def address(session, name: str) -> str:
    return f"/people/{session.patient.patient_ref}/day/{session.pk}/{name}"


def text_of(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def send(client, session, user, key="k", **fields):
    said = {"key": key, "kind": "totals", "by": user.pk, "seen": 0, "waited_s": 0, "fields": {**TYPED, **fields}}
    return client.post(address(session, "enter/"), json.dumps(said), content_type="application/json")


def test_no_touch_by_hand_is_on_its_page_and_reaction_and_observations_are(nurse_client, machine):
    answer = nurse_client.get(address(machine, "run/"))
    html = answer.content.decode()
    assert not [name for name in BY_HAND if name in html]
    for name in (
        "data-reaction",
        'data-entry="observation"',
        'data-entry="pause"',
        'data-entry="totals"',
        'id="units"',
    ):
        assert name in html
    assert "Winterbourne" in text_of(answer)


def test_a_pause_says_who_paused_and_why(nurse, nurse_client, machine):
    make_entry(machine, "pause", {"words": "access alarm"}, by=nurse)
    shown = text_of(nurse_client.get(address(machine, "run/")))
    assert f"by {nurse.full_name}: access alarm. No unit is started until it goes on" in shown


@pytest.mark.parametrize(
    ("began", "ended", "found"),
    [
        ("2026-06-01T22:15", "00:40", "2026-06-02T00:40"),  # it went on past midnight
        ("2026-06-01T22:15", "23:50", "2026-06-01T23:50"),
        ("2026-06-01T22:15", "1 Jun 2026 00:40", "2026-06-01T00:40"),  # the day was said
        ("2026-06-01T09:15", "08:50", "2026-06-01T08:50"),  # before the start checks
    ],
)
def test_a_time_of_a_session_that_went_on_past_midnight_is_of_the_day_after(site, began, ended, found):
    zone = ZoneInfo(site.time_zone)
    started_at = datetime.fromisoformat(began).replace(tzinfo=zone)
    typed = {**TYPED, "started": "1 Jun 2026 00:10", "ended": ended}
    form = TotalsForm(typed, today=TODAY, zone=zone, on=TODAY, started_at=started_at)
    assert form.is_valid(), form.errors
    assert form.said().ended_at == datetime.fromisoformat(found).replace(tzinfo=zone)


def test_a_session_by_hand_keeps_its_own_page(nurse_client, patient, nurse, consultant):
    session = running_day(patient, nurse=nurse, consultant=consultant)
    html = nurse_client.get(address(session, "run/")).content.decode()
    assert not [name for name in BY_HAND if name not in html]
    assert 'data-entry="totals"' not in html


def test_the_poll_answers_with_the_same_kind_of_page(nurse_client, machine):
    html = nurse_client.get(address(machine, "since/0/")).json()["html"]
    assert 'data-entry="totals"' in html
    assert not [name for name in BY_HAND if name in html]


def test_the_plan_stands_beside_every_box_of_the_totals(nurse_client, machine):
    said = text_of(nurse_client.get(address(machine, "run/") + "?show=totals"))
    for words in ("planned 774", "planned 760", "planned 3", "planned 0", "3 units were started here"):
        assert words in said


def test_totals_sent_by_the_script_are_kept_once_and_shown_beside_the_plan(nurse, nurse_client, machine):
    first, again = send(nurse_client, machine, nurse), send(nurse_client, machine, nurse)
    assert first.status_code == again.status_code == 200
    assert first.json() == again.json()
    totals = tally_of(machine).totals
    assert (totals.in_ml, totals.blood_out_ml, totals.units) == (974, 980, 3)
    assert f"{totals.started_at:%H:%M %z}" == "06:05 +0100"
    said = text_of(nurse_client.get(address(machine, "run/")))
    assert "Blood out, mL 760 980" in said
    assert "In less out, mL +14 \u22126" in said
    assert "Totals are entered Finish the session." in said
    assert "totals of the machine: saline 200, red cells 774 mL of 3 units" in said  # in the log, with who and when


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"saline_in_ml": "905"}, ""),  # 15 mL/kg of 60 kg, and up to 10 mL more
        ({"saline_in_ml": "950", "blood_out_ml": "1700"}, "By the totals 950 mL of saline are in; 900 mL is the most."),
        ({"blood_out_ml": "3600", "saline_in_ml": "900"}, "By the totals 3,600 mL of blood are out; 3,500 mL is the"),
    ],
)
def test_totals_that_pass_a_stop_of_volume_say_so(nurse, nurse_client, machine, typed, said):
    assert send(nurse_client, machine, nurse, **typed).status_code == 200
    shown = text_of(nurse_client.get(address(machine, "run/")))
    assert said in shown if said else "By the totals" not in shown


def test_saline_past_its_stop_is_asked_about_at_finishing_and_its_reason_stands_in_the_record(
    nurse, nurse_client, machine
):
    send(nurse_client, machine, nurse, blood_out_ml="1700", saline_in_ml="920")
    asked = nurse_client.get(address(machine, "finish/"))
    assert "Saline given 920 mL; allowed is 900 mL" in text_of(asked)
    typed = {"receipt": "finish", "version": machine.version, "seen": "Saline given"}
    refused = nurse_client.post(address(machine, "finish/"), typed)
    assert "Say why it is finished although this stands: Saline given: 920 mL" in text_of(refused)
    reason = "the line was flushed twice"
    assert nurse_client.post(address(machine, "finish/"), typed | {"reason": reason}).status_code == 302
    assert "Saline given 920 mL; allowed is 900 mL" in text_of(nurse_client.get(address(machine, "after/")))
    record = nurse_client.get(address(machine, "record.csv")).content.decode()
    assert f"Finished although: Saline given: 920 mL; allowed is 900 mL. Reason: {reason}" in record


def test_totals_that_say_another_number_of_units_are_loud_at_once(nurse, nurse_client, machine):
    send(nurse_client, machine, nurse, units="4")
    assert "The totals say 4" in text_of(nurse_client.get(address(machine, "run/")))


def test_refused_totals_come_with_every_fault_and_keep_what_was_typed(nurse, nurse_client, machine):
    answer = send(nurse_client, machine, nurse, units="3.5", ended="soon")
    assert answer.status_code == 422
    assert len(answer.json()["refused"]) == 2
    typed = {"kind": "totals", "receipt": "r", "show": "totals", **TYPED, "ended": "soon"}
    plain = nurse_client.post(address(machine, "enter/"), typed)
    assert plain.status_code == 422
    assert '<dialog id="totals" aria-labelledby="totalsh" open>' in plain.content.decode()
    assert 'value="end haematocrit 0.31"' in plain.content.decode()
    assert not Entry.objects.filter(kind="totals").exists()


def test_wrong_totals_are_undone_from_the_log_and_entered_again(nurse, nurse_client, machine):
    number = send(nurse_client, machine, nurse).json()["kept"]
    nurse_client.post(address(machine, "enter/"), {"kind": "undo", "receipt": "u", "target": str(number)})
    assert tally_of(machine).totals is None
    assert send(nurse_client, machine, nurse, key="k2", blood_out_ml="1000").status_code == 200
    assert tally_of(machine).totals.blood_out_ml == 1000


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("checked", "Unit 3 of 3 is next It is checked: start it here when the machine starts it"),
        ("at_chair", "Unit 3 of 3 is next Unit 3 is not checked yet. Do not give it."),
        ("returned", "Unit 3 of 3 is next Unit 3 is not at the chair yet."),
    ],
)
def test_the_next_unit_says_what_it_waits_for(nurse_client, patient, nurse, consultant, state, words):
    first_two = tuple(one for one in MACHINE_UNITS if one[1].get("unit") != 3)
    session = automated_day(patient, nurse=nurse, consultant=consultant, entries=first_two)
    DonationUnit.objects.filter(place__in=(1, 2)).update(state="given")
    place = {"place": 20} if state == "returned" else {}
    DonationUnit.objects.filter(place=3).update(state=state, end_reason="not needed", **place)
    said = text_of(nurse_client.get(address(session, "run/")))
    assert words in said
    assert "2 of 3 planned" in said


def test_observations_are_due_at_the_end_that_the_totals_say(nurse, nurse_client, machine):
    Entry.objects.filter(kind="observation").update(happened_at=NOW - timedelta(hours=2))
    send(nurse_client, machine, nurse)
    assert "the machine has ended, at 08:11" in text_of(nurse_client.get(address(machine, "run/")))


def test_once_finished_nothing_is_entered_on_it(nurse_client, patient, nurse, consultant):
    session = finished_day(patient, nurse=nurse, consultant=consultant, make=automated_day)
    html = nurse_client.get(address(session, "run/")).content.decode()
    assert 'data-entry="totals"' not in html
    assert "nothing more is given or drawn here" in html


@pytest.mark.parametrize("units", [1, 3])
@pytest.mark.parametrize("name", ["run/", "since/0/"])
def test_the_page_and_its_poll_ask_a_fixed_number_of_queries(nurse_client, patient, nurse, consultant, units, name):
    some = tuple(one for one in MACHINE_UNITS if one[1].get("unit", 1) <= units)
    session = automated_day(patient, nurse=nurse, consultant=consultant, entries=some)
    nurse_client.get(address(session, name))
    with CaptureQueriesContext(connection) as seen:
        nurse_client.get(address(session, name))
    assert len(seen) == 14  # two of them find out who is signed in


def test_consent_taken_back_on_the_day_stops_the_page_of_an_automated_session_too(nurse_client, machine, nurse):
    consent = record_consent(
        patient=machine.patient, given_on=TODAY, valid_until=TODAY, given_by="the person", actor=nurse, at=NOW
    )
    withdraw_consent(consent=consent, on=TODAY, why="enough for today", actor=nurse, at=NOW)
    page = text_of(nurse_client.get(address(machine, "run/")))
    assert "Stopped: consent taken back" in page
    assert f"by {nurse.full_name}: enough for today. No unit is checked or started." in page


def test_without_script_more_red_cells_than_the_labels_say_are_kept_and_asked_about(nurse_client, machine):
    fields = {"kind": "totals", "receipt": "r1", **TYPED, "red_cells_in_ml": "5160"}
    page = text_of(nurse_client.post(address(machine, "enter/"), fields, follow=True))
    assert "Saved. 5,160 mL of 3 units, 1,720 mL each, is more than the 774 mL on their labels. If it is not" in page
    assert tally_of(machine).totals.red_cells_in_ml == 5160
    finish = text_of(nurse_client.get(address(machine, "finish/")))
    assert "5,160 mL of 3 units, 1,720 mL each, is more than the 774 mL on their labels" in finish
