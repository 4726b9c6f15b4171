"""Pages from the end of a session to the closed record: what they say, who may do what, and their queries."""

import re
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from patients.models import Analyte
from programme.core.models import TrailEntry
from programme.planning.models import Suggestion
from sessions.day.models import AdverseEvent, Entry, FollowUp, Prescription
from sessions.day.services import afterwards, finishing
from sessions.models import DonationUnit, ExchangeSession, HaemolysisSign, LabResult, ResultLink, StoredForecast
from tests.conftest import client_of
from tests.day import DONE, ENDED, MACHINE_UNITS, automated_day, finished_day, running_day, sampled_day
from tests.factories import (
    NOW,
    TODAY,
    make_course,
    make_entry,
    make_fit_in_force,
    make_follow_up,
    make_needs,
    make_patient,
    make_result,
    make_site_setting,
    make_standing,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def patient(site: Any) -> Any:
    patient = make_patient("SM-042", family_name="Winterbourne", given_name="Adaeze")
    make_needs(patient)
    make_course(patient)
    return patient


def address(session: ExchangeSession, name: str) -> str:
    return f"/people/{session.patient.patient_ref}/day/{session.pk}/{name}"


def text_of(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())).replace("&#x27;", "'")


def receipt_of(answer: Any) -> str:
    found = re.search(r'name="receipt" value="([^"]+)"', answer.content.decode())
    assert found
    return found[1]


def send(client: Client, session: ExchangeSession, name: str, **given: Any) -> Any:
    """Open a form page and send it with what is given, as a browser without script would."""
    shown = client.get(address(session, name))
    assert shown.status_code == 200
    version = ExchangeSession.objects.get(pk=session.pk).version
    return client.post(address(session, name), {"receipt": receipt_of(shown), "version": version, **given})


# A reaction, whenever it shows


@pytest.mark.parametrize("state", ["finished", "abandoned", "closed"])
def test_a_reaction_that_shows_after_the_end_is_one_touch_away_and_noted(
    patient, nurse, consultant, nurse_client, state
) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    ExchangeSession.objects.filter(pk=session.pk).update(state=state, ended_reason="given up")
    door = f'href="{address(session, "reaction/")}"'
    assert door in nurse_client.get(address(session, "after/")).content.decode()
    seen = {"kind": "febrile", "when": "2026-06-01 09:50", "signs": "rigors", "done": "called"}
    answer = send(nurse_client, session, "reaction/", **seen)
    assert answer.status_code == 302, text_of(answer)
    assert AdverseEvent.objects.get().exchange_session_id == session.pk


def test_of_a_reaction_told_days_later_nothing_is_said_to_be_stopped(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    today = nurse_client.get(address(session, "reaction/")).content.decode()
    assert "Stop the transfusion; leave the cannula or line in." in today
    assert f'href="{address(session, "after/")}">Back to the session' in today
    with time_machine.travel(NOW + timedelta(days=5), tick=True):
        later = client_of(nurse).get(address(session, "reaction/")).content.decode()
    assert "Stop the transfusion" not in later and "After the session of Mon 1 Jun" in later
    assert "the transfusion laboratory are told at once" in later


@pytest.mark.parametrize("page", ["finish/", "abandon/"])
def test_the_run_is_stopped_for_a_reaction_from_the_page_of_its_end_too(
    patient, nurse, consultant, nurse_client, page
) -> None:
    session = running_day(patient, nurse=nurse, consultant=consultant)
    assert f'action="{address(session, "reaction/stop/")}"' in nurse_client.get(address(session, page)).content.decode()


# Finishing and giving up


def test_the_page_of_finishing_says_what_stands_against_it(patient, nurse, consultant, nurse_client) -> None:
    session = running_day(patient, nurse=nurse, consultant=consultant, entries=DONE[:-1])
    said = text_of(nurse_client.get(address(session, "finish/")))
    label = f"G{session.pk:04d}2600003"
    assert f"Units ended {label}: started and not ended" in said
    answer = send(nurse_client, session, "finish/", reason="")
    assert answer.status_code == 200
    assert f"Stop Units ended: {label}: started and not ended." in text_of(answer)
    assert ExchangeSession.objects.get(pk=session.pk).state == "running"


def test_a_whole_session_is_finished_without_a_reason(patient, nurse, consultant, nurse_client) -> None:
    session = running_day(patient, nurse=nurse, consultant=consultant)
    assert 'name="reason"' not in nurse_client.get(address(session, "finish/")).content.decode()
    answer = send(nurse_client, session, "finish/")
    assert answer.headers["Location"] == address(session, "after/")
    stored = ExchangeSession.objects.get(pk=session.pk)
    assert (stored.state, stored.red_cells_in_ml, stored.blood_out_ml) == ("finished", 774, 1060)


def test_a_reason_to_finish_does_not_hold_for_what_another_tablet_entered_meanwhile(
    patient, nurse, consultant, nurse_client
) -> None:
    unseen = [entry for entry in DONE if entry[0] != "observation"]
    session = running_day(patient, nurse=nurse, consultant=consultant, entries=unseen)
    opened = nurse_client.get(address(session, "finish/")).content.decode()
    seen = re.search(r'name="seen" value="([^"]*)"', opened)
    assert seen and "Observations" in seen[1] and "Balance" not in seen[1]
    make_entry(session, "moved", {"step": 2, "in_ml": 0, "out_ml": 700}, by=nurse)
    refused = send(nurse_client, session, "finish/", reason="the cuff was lent", seen=seen[1])
    assert "Since this page was opened: Balance at the end" in text_of(refused)
    assert ExchangeSession.objects.get(pk=session.pk).state == "running"
    seen = re.search(r'name="seen" value="([^"]*)"', refused.content.decode())
    assert seen and send(nurse_client, session, "finish/", reason="she knows", seen=seen[1]).status_code == 302


def test_the_same_form_sent_twice_finishes_once(patient, nurse, consultant, nurse_client) -> None:
    session = running_day(patient, nurse=nurse, consultant=consultant)
    given = {"receipt": receipt_of(nurse_client.get(address(session, "finish/"))), "version": session.version}
    first = nurse_client.post(address(session, "finish/"), given)
    second = nurse_client.post(address(session, "finish/"), given)
    assert first.headers["Location"] == second.headers["Location"] == address(session, "after/")
    assert ExchangeSession.objects.get(pk=session.pk).version == session.version + 1


def test_an_automated_session_is_finished_once_its_totals_are_entered(patient, nurse, consultant, nurse_client) -> None:
    session = automated_day(patient, nurse=nurse, consultant=consultant, entries=MACHINE_UNITS)
    refused = send(nurse_client, session, "finish/", reason="in a hurry")
    assert "Totals of the machine: not entered, though 3 units were started" in text_of(refused)
    assert f"{address(session, 'run/')}?show=totals" in refused.content.decode()
    totals = {
        "kind": "totals", "receipt": "t", "started": "06:05", "ended": "08:11", "saline_in_ml": "200",
        "red_cells_in_ml": "774", "blood_out_ml": "980", "units": "3", "end_words": "end haematocrit 0.31",
    }  # fmt: skip
    wrong = nurse_client.post(address(session, "enter/"), {**totals, "units": "", "ended": "8.11 pm"})
    assert wrong.status_code == 422
    assert "Red cell units is needed." in text_of(wrong)
    assert "Ended: '8.11 pm' is not a time" in text_of(wrong) or "Ended: 'pm' is not a time" in text_of(wrong)
    nurse_client.post(address(session, "enter/"), totals)
    assert send(nurse_client, session, "finish/").headers["Location"] == address(session, "after/")
    stored = ExchangeSession.objects.get(pk=session.pk)
    assert (stored.saline_in_ml, stored.red_cells_in_ml, stored.blood_out_ml, stored.units) == (200, 774, 980, 3)
    assert f"{stored.started_at:%H:%M} {stored.ended_at:%H:%M}" == "05:05 07:11"  # an hour behind the unit's summer
    assert set(DonationUnit.objects.values_list("state", flat=True)) == {"given"}
    after = text_of(nurse_client.get(address(session, "after/")))
    assert "HbS 34.0 should now be near" in after
    assert (
        "Automated Totals of the machine: saline 200, red cells 774 mL of 3 units, blood out 980 mL, 06:05 to 08:11; "
        "end haematocrit 0.31; entered by Nurse of Saltmarsh Day Unit, 10:00." in after
    )
    assert "Volumes, as totals in 974 mL, out 980 mL" in after
    assert "Put the totals right" in after


@pytest.mark.parametrize(("hb_g_l", "parts"), [(94.0, False), (126.0, True)])
def test_after_a_machine_forecast_and_measured_are_held_together_by_mass(
    patient, nurse, consultant, nurse_client, hb_g_l, parts
) -> None:
    """It ends with Hb about as before; with Hb as if whole blood had been drawn, something else happened."""
    session = sampled_day(
        patient, nurse=nurse, consultant=consultant, make=automated_day, hb_g_l=hb_g_l, hbs_pct=21.0
    )  # fmt: skip
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "HbS 34.0 to 21.0 %" in said
    assert ("a machine that was set to end at another Hb" in said) == parts, said[400:1800]
    assert "The forecast goes by mass of haemoglobin" in said
    assert "Share of ideal removed, by mass" in said
    assert "of the donor Hb stayed in" not in said


def test_a_unit_found_afterwards_is_recorded_and_what_differs_is_said(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    assert address(session, "units/given/") in nurse_client.get(address(session, "after/")).content.decode()
    found = {
        "number": "G1234 98 654321 H", "product": "=<E0336V00", "group": "A+", "expiry": "=>026171", "hbs": "yes",
        "volume_ml": "250", "started": "07:00", "ended": "07:40", "given_ml": "240", "checked_by": "on paper",
        "why": "an empty bag was found",
    }  # fmt: skip
    asked = send(nurse_client, session, "units/given/", **found)
    assert asked.status_code == 200
    assert "Wrong group: the unit is A, allowed is" in text_of(asked)
    assert not DonationUnit.objects.filter(abo="A").exists()
    answer = send(nurse_client, session, "units/given/", **found, **{"right-number": found["number"]})
    assert answer.headers["Location"] == address(session, "after/")
    assert DonationUnit.objects.get(abo="A").state == "given"
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "was given: Wrong group: the unit is A" in said
    assert "Tell the prescriber and the transfusion laboratory now" in said


def test_totals_of_a_finished_session_are_put_right_on_one_form(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant, make=automated_day)
    shown = nurse_client.get(address(session, "put-right/"))
    assert 'value="980"' in shown.content.decode()
    assert 'value="end haematocrit 0.31"' in shown.content.decode()
    right = {
        "started": "06:05", "ended": "08:11", "saline_in_ml": "200", "red_cells_in_ml": "774", "blood_out_ml": "1000",
        "units": "3", "end_words": "", "why": "read from the wrong line",
    }  # fmt: skip
    assert "the totals say 2 units" in text_of(send(nurse_client, session, "put-right/", **{**right, "units": "2"}))
    answer = send(nurse_client, session, "put-right/", **right)
    assert answer.headers["Location"] == address(session, "after/")
    assert ExchangeSession.objects.get(pk=session.pk).blood_out_ml == 1000
    assert "in less out is \u221226 mL" in text_of(nurse_client.get(address(session, "after/")))


def test_giving_up_keeps_what_was_given_and_says_so(patient, nurse, consultant, nurse_client) -> None:
    session = running_day(patient, nurse=nurse, consultant=consultant, entries=DONE[:5])
    assert "stays, and counts" in text_of(nurse_client.get(address(session, "abandon/")))
    answer = send(nurse_client, session, "abandon/", reason="access failed")
    assert answer.headers["Location"] == address(session, "after/")
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "Abandoned access failed. What was given until then counts." in said
    assert FollowUp.objects.get().kind == "late_call"


def test_a_call_due_on_a_weekend_is_promised_for_the_monday(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    FollowUp.objects.all().delete()  # as in a session that was recorded before calls were opened when it ended
    make_site_setting(site=patient.site, name="follow_up_call_days", value=5)  # Sat 6 June
    assert "will fall due Mon 8 Jun and is put on the list" in text_of(nurse_client.get(address(session, "after/")))


def test_without_red_cells_no_call_is_promised(patient, nurse, consultant, nurse_client) -> None:
    only_drawn = (("moved", {"step": 1, "in_ml": 0, "out_ml": 260}, 10),)
    session = running_day(patient, nurse=nurse, consultant=consultant, entries=only_drawn)
    DonationUnit.objects.update(state="returned", end_reason="not needed")
    send(nurse_client, session, "abandon/", reason="access failed")
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "No red cells were given: no call about late reactions falls due." in said
    assert not FollowUp.objects.exists()


def test_an_end_that_leaves_hb_high_is_said_before_it_is_ended(patient, nurse, consultant, nurse_client) -> None:
    undrawn = [(kind, body | {"out_ml": 0} if kind == "moved" else body, minute) for kind, body, minute in DONE]
    session = running_day(patient, nurse=nurse, consultant=consultant, entries=undrawn)
    limit = {"name": "hb_after", "words": "Hb after", "reached": 108.0, "allowed": 110.0, "unit": "g/L", "state": "ok"}
    Prescription.objects.filter(exchange_session=session).update(limits=[limit])
    for name in ("finish/", "abandon/"):
        said = text_of(nurse_client.get(address(session, name)))
        assert re.search(r"If it ends now, Hb settles at about 1[34]\d g/L, over the 110 g/L allowed", said), said[:900]
    Entry.objects.filter(exchange_session=session, kind="moved").delete()
    assert "If it ends now" not in text_of(nurse_client.get(address(session, "abandon/")))


def test_nothing_done_frees_the_day(patient, nurse, consultant, nurse_client) -> None:
    session = running_day(patient, nurse=nurse, consultant=consultant, entries=())
    assert "will not count" in text_of(nurse_client.get(address(session, "abandon/")))
    answer = send(nurse_client, session, "abandon/", reason="fever at the chair")
    assert answer.headers["Location"] == "/people/SM-042/"


# After


def test_before_the_sample_the_page_says_what_to_expect_and_from_when(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "HbS 34.0 should now be near 23.1 %" in said
    # Ended 07:11 UTC, 08:11 at the unit; the wait of the site is 30 minutes.
    assert "The sample may be taken from 08:41" in said
    assert "not measured yet" in said


@pytest.mark.parametrize(("next_on", "is_said"), [("2026-06-02", True), ("2026-05-29", False)])
def test_a_series_that_was_foreseen_is_said_until_its_second_day(
    patient, nurse, consultant, nurse_client, next_on, is_said
) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    foreseen = {"series": [{"date": "2026-06-01"}, {"date": next_on}], "end_target_pct": 12.25}
    Prescription.objects.filter(exchange_session=session).update(predicted=foreseen)
    said = text_of(nurse_client.get(address(session, "after/")))
    words = "2 sessions on consecutive open days were foreseen to end at 12.2 % or lower, the next on Tue 2 Jun ."
    assert (words in said) == is_said
    assert ("sessions on consecutive open days" in said) == is_said


@pytest.mark.parametrize(("target", "says"), [(25.5, True), (24.6, True), (24.4, False)])
def test_a_series_that_came_to_its_target_on_the_first_day_asks_for_no_second(
    patient, nurse, consultant, nurse_client, target, says
) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant, hbs_pct=25.5)
    foreseen = {"series": [{"date": "2026-06-01"}, {"date": "2026-06-02"}], "end_target_pct": target}
    Prescription.objects.filter(exchange_session=session).update(predicted=foreseen)
    said = text_of(nurse_client.get(address(session, "after/")))
    assert f"foreseen to end at {target} % or lower, the next on Tue 2 Jun ." in said
    assert ("from this nothing asks for one" in said) == says
    assert ("A prescriber decides from what is measured whether it is still wanted" in said) != says


def test_a_sample_that_is_taken_is_not_asked_for_again(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    assert send(nurse_client, session, "sample/", taken="08:46", place="left arm").status_code == 302
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "The sample was taken at 08:46 ; HbS is not in yet." in said
    assert "may be taken" not in said


def test_forecast_and_measured_stand_side_by_side_with_the_next_day(patient, nurse, consultant, nurse_client) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant, hb_g_l=106.0, hbs_pct=23.4)
    patient.refresh_from_db()
    make_standing(patient, make_fit_in_force(patient.site))
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "It did what its volumes should do: HbS 34.0 to 23.4 % , forecast 23.1" in said
    assert "Mon 8 Jun 7 d" in said, said[700:2200]
    assert "From there Mon 8 Jun , 8 in 100 of being over; the last safe day is Wed 10 Jun" in said
    assert "Then 5 units, to end at 12.0 %; 12.0 or lower is asked for." in said
    assert "rise 12 of 40 g/L" in said
    assert "measured 08:45" in said


def test_where_no_end_is_measured_the_days_start_from_a_reckoned_one(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    patient.refresh_from_db()
    make_standing(patient, make_fit_in_force(patient.site))
    StoredForecast.objects.filter(patient=patient).update(pace={"after_pct": 22.4, "after_reckoned": True})
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "should now be near 23.1 %" in said
    assert "from an end reckoned at 22.4 %, which weighs the volumes with how earlier exchanges ended" in said


def test_units_that_cannot_reach_the_end_target_say_where_they_end(patient, nurse, consultant, nurse_client) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant, hb_g_l=106.0, hbs_pct=23.4)
    patient.refresh_from_db()
    make_standing(patient, make_fit_in_force(patient.site))
    said = Suggestion.objects.get(patient=patient)
    said.body["session"]["predicted_hbs_pct"] = 15.4
    said.latest_safe_date = said.next_date - timedelta(days=4)
    said.save()
    page = text_of(nurse_client.get(address(session, "after/")))
    assert "Then 5 units, to end at 15.4 %; 12.0 or lower is out of reach within the limits." in page
    assert "of being over; the last safe day, Thu 4 Jun , is before it." in page


def test_figures_that_part_are_named_with_where_to_look(patient, nurse, consultant, nurse_client) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant, hb_g_l=106.0, hbs_pct=28.0)
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "HbS measured 28.0 % lies above what these volumes should leave" in said
    assert "Look in this order: incomplete mixing" in said


def test_results_of_a_sample_too_early_are_doubted_though_nobody_entered_the_sample(
    patient, nurse, consultant, nurse_client
) -> None:
    """As a laboratory sends them: with the time of the sample, and no word of who took it from where."""
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    for analyte, value in ((Analyte.HB, 102.0), (Analyte.HBS, 25.5)):
        result = make_result(patient, analyte=analyte, value=value, taken_at=ENDED + timedelta(minutes=5))
        ResultLink.objects.create(exchange_session=session, result=result, position="after")
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "Taken 5 min after the end, before the wait of 30 min" in said
    assert "After-sample 5 min after the end" in said


def test_a_sample_too_early_from_the_return_line_is_doubted(patient, nurse, consultant, nurse_client) -> None:
    session = sampled_day(
        patient, nurse=nurse, consultant=consultant, hb_g_l=106.0, hbs_pct=23.2, after_min=10, from_return=True
    )
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "Taken 10 min after the end, before the wait of 30 min" in said
    assert "a tube diluted by what is left in it" in said


def test_hb_over_the_ceiling_offers_two_volumes_and_a_check(patient, nurse, consultant, nurse_client) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant, hb_g_l=118.0, hbs_pct=23.4)
    said = text_of(nurse_client.get(address(session, "after/")))
    # By hand: 3 mL/kg x 60 kg x 8/10 is 144 mL, to 118·e^(−144/4000) = 114; 4000·ln(118/110) is 281 mL.
    assert "Hb 118 g/L lies 8 over the ceiling of 110" in said
    assert "Rule of thumb 144 mL 114 g/L" in said
    assert "Reckoned 281 mL 110 g/L" in said
    asks = "Not yet Hb after 118 g/L is over the ceiling of 110 g/L: no blood drawn since, no check of Hb opened"
    assert asks in said
    answer = send(nurse_client, session, "recheck/", due_on="3 Jun 2026", words="Hb 118")
    assert answer.headers["Location"] == address(session, "after/")
    assert "Ready Hb after 118 g/L is over the ceiling" in text_of(nurse_client.get(address(session, "after/")))
    assert FollowUp.objects.get().due_on == TODAY + timedelta(days=2)


def test_sample_and_results_are_entered_on_one_form(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    given = {"taken": "08:45", "place": "left arm", "hb_g_l": "10.2", "hbs_pct": "23.5", "method": "HPLC"}
    refused = send(nurse_client, session, "sample/", **given | {"taken": "08:05"})
    assert "The sample was taken before the session ended" in text_of(refused)
    assert not LabResult.objects.filter(link__exchange_session=session, link__position="after").exists()
    assert not Entry.objects.filter(kind="sample").exists()
    assert send(nurse_client, session, "sample/", **given).status_code == 302
    after = LabResult.objects.filter(link__exchange_session=session, link__position="after")
    assert {(row.analyte, row.value) for row in after} == {("718-7", 102.0), ("4625-0", 23.5)}
    assert Entry.objects.get(kind="sample").body["place"] == "left arm"


def test_going_home_keeps_three_things_and_each_line_is_ticked(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    assert "Nothing is entered yet." in text_of(send(nurse_client, session, "going-home/"))
    given = {"bp_sys": "116", "bp_dia": "70", "pulse": "76", "temp_c": "36.9", "disposal": "clinical waste"}
    assert send(nurse_client, session, "going-home/", **given, leaflet="on").status_code == 302
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "Ready Going-home observations 10:00, BP 116/70, pulse 76, temperature 36.9 °C" in said
    assert "Ready Disposal of blood drawn clinical waste; Nurse of Saltmarsh Day Unit, 10:00" in said
    assert "Ready Leaflet on late reactions, and whom to call Nurse of Saltmarsh Day Unit, 10:00" in said


def test_unusual_going_home_observations_ask_and_never_block(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    asked = send(nurse_client, session, "going-home/", bp_sys="85")
    assert "usual is 90 to 160" in text_of(asked)
    given = {"bp_sys": "85", "right-bp_sys": "85"}
    assert send(nurse_client, session, "going-home/", **given).status_code == 302


def test_a_volume_is_put_right_in_amount_and_in_time(patient, nurse, consultant, nurse_client) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    number = str(Entry.objects.filter(kind="moved").first().number)
    unsaid = send(nurse_client, session, "put-right/", in_ml="280", out_ml="300", why="bag read again")
    assert "Which volume is needed." in text_of(unsaid)
    empty = send(nurse_client, session, "put-right/", entry=number, why="read again")
    assert "Nothing is put right yet" in text_of(empty)
    given = {"entry": number, "in_ml": "280", "out_ml": "300", "happened": "06:05", "why": "bag read again"}
    assert send(nurse_client, session, "put-right/", **given).status_code == 302
    stored = ExchangeSession.objects.get(pk=session.pk)
    assert stored.saline_in_ml == 280
    first = stored.steps.order_by("number").first()
    assert f"{stored.started_at:%H:%M} {first.ended_at:%H:%M}" == "05:00 05:05"
    missing = {"entry": "missing", "in_ml": "100", "out_ml": "100", "happened": "09:30", "why": "drawn to lower Hb"}
    assert send(nurse_client, session, "put-right/", **missing).status_code == 302
    assert ExchangeSession.objects.get(pk=session.pk).saline_in_ml == 380


# Closing


def close(client: Client, session: ExchangeSession, **given: Any) -> Any:
    shown = client.get(address(session, "after/"))
    version = ExchangeSession.objects.get(pk=session.pk).version
    return client.post(address(session, "close/"), {"receipt": receipt_of(shown), "version": version, **given})


def test_closing_says_what_is_missing_and_takes_a_reason(patient, nurse, consultant, nurse_client) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant)
    refused = close(nurse_client, session)
    assert refused.status_code == 422
    assert "Say why it is closed although this stands: Disposal of blood drawn: not entered" in text_of(refused)
    assert close(nurse_client, session, reason="left against advice").status_code == 302
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "Closed" in said
    assert "falls due Thu 11 Jun" in said
    assert "Close the session" not in said


def test_a_page_opened_before_somebody_else_changed_the_session_does_not_close_it(
    patient, nurse, consultant, nurse_client
) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant)
    shown = nurse_client.get(address(session, "after/"))
    given = {"receipt": receipt_of(shown), "version": session.version - 1, "reason": "done"}
    refused = nurse_client.post(address(session, "close/"), given)
    assert refused.status_code == 422
    assert "changed by someone else" in text_of(refused)


def test_only_a_consultant_finds_the_way_to_open_it_again(
    patient, nurse, consultant, nurse_client, consultant_client
) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant)
    close(nurse_client, session, reason="left against advice")
    assert "Open it again" not in text_of(nurse_client.get(address(session, "after/")))
    assert nurse_client.get(address(session, "reopen/")).status_code == 403
    assert "Open it again" in text_of(consultant_client.get(address(session, "after/")))
    assert send(consultant_client, session, "reopen/", reason="wrong bag").status_code == 302
    assert ExchangeSession.objects.get(pk=session.pk).state == "finished"


def test_a_reason_holds_for_what_stood_on_the_page_and_not_for_an_hb_that_came_meanwhile(
    patient, nurse, consultant, nurse_client
) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    opened = nurse_client.get(address(session, "after/")).content.decode()
    seen = re.search(r'name="seen" value="([^"]*)"', opened)
    assert seen and "After-results" in seen[1] and "Hb after" not in seen[1]
    hb = make_result(patient, analyte=Analyte.HB, value=121.0, taken_at=ENDED + timedelta(minutes=35))
    ResultLink.objects.create(exchange_session=session, result=hb, position="after")
    refused = close(nurse_client, session, reason="results to come", seen=seen[1])
    assert refused.status_code == 422
    said = text_of(refused)
    assert "Not closed. Since this page was opened: After-sample 35 min after the end: As its results say" in said
    assert "not entered; Hb after: 121 g/L is over the ceiling of 110 g/L: no blood drawn since" in said
    assert 'value="results to come"' in refused.content.decode()
    seen = re.search(r'name="seen" value="([^"]*)"', refused.content.decode())
    assert seen and close(nurse_client, session, reason="the prescriber was told", seen=seen[1]).status_code == 302


@pytest.mark.parametrize("sampled", [False, True])
def test_results_that_come_later_are_added_to_a_closed_session_whether_its_sample_was_entered_or_not(
    patient, nurse, consultant, nurse_client, sampled
) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    taken = ENDED + timedelta(minutes=35)
    if sampled:
        given = {"place": "left arm", "from_return": False, "key": "s", "actor": nurse, "at": taken}
        afterwards.record_sample(exchange_session=session, taken_at=taken, **given)
    session.refresh_from_db()
    finishing.close(
        exchange_session=session, version=session.version, actor=nurse, at=NOW, key="c", reason="results to come"
    )
    shown = text_of(nurse_client.get(address(session, "sample/")))
    assert "Results that came later" in shown and "Arm or line" not in shown
    assert ("Sample taken" in shown) is not sampled
    when = {} if sampled else {"taken": f"{taken.astimezone(ZoneInfo('Europe/London')):%H:%M}"}
    assert "Enter at least one result" in text_of(send(nurse_client, session, "sample/", **when))
    answer = send(nurse_client, session, "sample/", hb_g_l="104", hbs_pct="23.4", **when)
    assert answer.status_code == 302, text_of(answer)
    linked = ResultLink.objects.filter(exchange_session=session, position="after").select_related("result")
    assert {link.result.value for link in linked} == {104.0, 23.4}
    assert {link.result.taken_at.replace(second=0) for link in linked} == {taken}


def test_a_place_typed_before_the_session_was_closed_is_refused_in_words_and_kept(
    patient, nurse, consultant, nurse_client
) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    ExchangeSession.objects.filter(pk=session.pk).update(state="closed")
    typed = {"taken": "08:50", "place": "left arm, fresh puncture", "hb_g_l": "104"}
    refused = send(nurse_client, session, "sample/", **typed)
    assert "A consultant can open a closed one again" in text_of(refused), text_of(refused)[-2500:]
    assert 'value="left arm, fresh puncture"' in refused.content.decode()
    assert not ResultLink.objects.filter(exchange_session=session, position="after").exists()


def test_a_session_opened_again_says_who_did_so_when_and_why_also_once_it_is_closed_again(
    patient, nurse, consultant, nurse_client, consultant_client
) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant)
    close(nurse_client, session, reason="left against advice")
    assert "Opened again" not in text_of(nurse_client.get(address(session, "after/")))
    send(consultant_client, session, "reopen/", reason="wrong bag <entered>")
    entry = TrailEntry.objects.get(action="reopen session")
    local = entry.at.astimezone(ZoneInfo(patient.site.time_zone))
    said = f"Opened again {local.day} {local:%b %Y, %H:%M} by {consultant.full_name}: wrong bag &lt;entered&gt;."
    shown = text_of(nurse_client.get(address(session, "after/")))
    assert said in shown
    assert "closed again once it is right" in shown
    close(nurse_client, session, reason="put right")
    shown = text_of(nurse_client.get(address(session, "after/")))
    assert said in shown
    assert "It was closed again since." in shown


def test_a_coordinator_neither_reads_the_clinical_record_nor_enters_anything(
    patient, nurse, consultant, coordinator_client
) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    for name in ("record.csv", "record.pdf", "after/", "finish/", "sample/", "going-home/", "put-right/", "close/"):
        assert coordinator_client.get(address(session, name)).status_code == 403


def test_the_page_asks_as_often_for_one_person_as_among_three(patient, nurse, consultant, nurse_client, site) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant)
    nurse_client.get(address(session, "after/"))
    with CaptureQueriesContext(
        connection,
    ) as one:
        nurse_client.get(address(session, "after/"))
    for ref in ("SM-050", "SM-051"):
        other = make_patient(ref)
        make_course(other)
        sampled_day(other, nurse=nurse, consultant=consultant)
    for number in range(3):
        make_follow_up(session, due_on=TODAY + timedelta(days=number))
    with CaptureQueriesContext(connection) as three:
        nurse_client.get(address(session, "after/"))
    assert len(one) == len(three) <= 32


# Contacts


def test_a_call_is_ended_with_what_came_of_it(patient, nurse, consultant, nurse_client) -> None:
    due = make_follow_up(finished_day(patient, nurse=nurse, consultant=consultant), words="dark urine")
    there = f"/people/SM-042/call/{due.pk}/"
    shown = nurse_client.get(there)
    assert "Ask for: dark urine." in text_of(shown)
    assert "Up to four weeks after red cells" in text_of(shown)
    given = {"receipt": receipt_of(shown), "version": 1, "reached": "reached", "outcome": "well, no signs"}
    assert nurse_client.post(there, given).headers["Location"] == "/people/SM-042/"
    assert FollowUp.objects.get(pk=due.pk).outcome == "well, no signs"


def test_signs_told_in_a_call_lock_the_person(patient, nurse, consultant, nurse_client) -> None:
    due = make_follow_up(finished_day(patient, nurse=nurse, consultant=consultant))
    there = f"/people/SM-042/call/{due.pk}/"
    given = {
        "receipt": receipt_of(nurse_client.get(there)), "version": 1, "reached": "reached", "outcome": "cola urine",
        "signs": ["dark_urine"],
    }  # fmt: skip
    assert "Noticed on: say on which day." in text_of(nurse_client.post(there, given))
    assert nurse_client.post(there, given | {"signs_on": "30 May 2026"}).status_code == 302
    assert HaemolysisSign.objects.get().sign == "dark_urine"


def test_somebody_not_reached_stays_on_the_list(patient, nurse, consultant, nurse_client) -> None:
    due = make_follow_up(finished_day(patient, nurse=nurse, consultant=consultant))
    there = f"/people/SM-042/call/{due.pk}/"
    given = {
        "receipt": receipt_of(nurse_client.get(there)),
        "version": 1,
        "reached": "not_reached",
        "outcome": "left word",
    }
    assert "Try again on: say on which day." in text_of(nurse_client.post(there, given))
    assert nurse_client.post(there, given | {"again_on": "2 Jun 2026"}).status_code == 302
    stored = FollowUp.objects.get(pk=due.pk)
    assert (stored.due_on, stored.done_at) == (TODAY + timedelta(days=1), None)


def test_a_check_of_hb_asks_for_no_signs(patient, nurse, consultant, nurse_client) -> None:
    due = make_follow_up(finished_day(patient, nurse=nurse, consultant=consultant), kind="recheck")
    assert "Signs since the session" not in text_of(nurse_client.get(f"/people/SM-042/call/{due.pk}/"))


def test_a_site_that_reads_g_dl_reads_it_after_a_session_too(patient, nurse, consultant, nurse_client, site) -> None:
    type(site).objects.filter(pk=site.pk).update(shows_g_dl=True)
    session = sampled_day(patient, nurse=nurse, consultant=consultant, hb_g_l=118.0, hbs_pct=23.4)
    said = text_of(nurse_client.get(address(session, "after/")))
    assert "Hb after, settled 10.6 10.2 to 11.1 11.8 g/dL" in said
    assert "rise 2.4 of 4.0 g/dL" in said
    assert "Hb 11.8 g/dL lies 0.8 over the ceiling of 11.0" in said
    assert (
        "Hb measured 11.8 g/dL lies above what these volumes should leave (10.2 to 11.1 g/dL in eight of ten)" in said
    )
    assert "g/L" not in said


def test_the_records_lead_to_a_session_carried_out_here_and_not_to_its_correction(
    patient, nurse, consultant, nurse_client, coordinator_client
) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    page = nurse_client.get("/people/SM-042/records/").content.decode()
    assert address(session, "after/") in page
    assert f"/people/SM-042/session/{session.pk}/" not in page
    page = coordinator_client.get("/people/SM-042/records/").content.decode()
    assert address(session, "after/") not in page
    assert address(session, "record.pdf") not in page


@pytest.mark.django_db(transaction=True)
def test_an_entry_put_right_after_opening_again_reaches_the_next_interval(
    patient, nurse, consultant, nurse_client, consultant_client
) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant)
    close(nurse_client, session, reason="left against advice")
    before = Suggestion.objects.get(patient=patient)
    send(consultant_client, session, "reopen/", reason="wrong bag")
    number = str(Entry.objects.filter(kind="moved").first().number)
    given = {"entry": number, "in_ml": "200", "out_ml": "200", "happened": "", "why": "bag read again"}
    assert send(nurse_client, session, "put-right/", **given).status_code == 302
    patient.refresh_from_db()
    after = Suggestion.objects.get(patient=patient)
    assert before.data_version < after.data_version == patient.data_version
    assert after.body["last_session"] == TODAY.isoformat()
    assert ExchangeSession.objects.get(pk=session.pk).blood_out_ml == 960


def test_a_volume_kept_in_a_tablet_while_another_finished_reaches_the_totals(
    patient, nurse, consultant, nurse_client
) -> None:
    session = running_day(patient, nurse=nurse, consultant=consultant)
    finishing.finish(exchange_session=session, version=session.version, actor=nurse, at=NOW, key="f")
    with time_machine.travel(NOW + timedelta(minutes=3), tick=True):
        fields = {"step": "1", "out_ml": "40", "in_ml": "", "unit": ""}
        late = {"key": "tablet-2", "kind": "moved", "by": nurse.pk, "fields": fields, "seen": 11, "waited_s": 600}
        answer = nurse_client.post(address(session, "enter/"), late, content_type="application/json")
        assert answer.status_code == 200
        assert ExchangeSession.objects.get(pk=session.pk).blood_out_ml == 1100
        new = late | {"key": "tablet-3", "waited_s": 1}
        assert nurse_client.post(address(session, "enter/"), new, content_type="application/json").status_code == 422
    assert ExchangeSession.objects.get(pk=session.pk).blood_out_ml == 1100
