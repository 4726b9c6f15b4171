"""The plan of a session on its page: planned from the suggestion, typed over, made again, signed, printed."""

from __future__ import annotations

import re
import subprocess
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.urls import reverse

from patients import services as patient_services
from patients.models import Analyte, LabResult, Patient
from programme.core import changes
from programme.core.models import Site
from programme.planning import services as planner
from sessions.day.models import Prescription
from sessions.day.services.prescribing import lapse_where_changed
from sessions.models import ExchangeSession
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
WOBBLE = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)
QUERIES = 35


@pytest.fixture(scope="module")
def made_once(rows_of_the_module) -> None:
    """Four people planned by the programme itself and weighed today; planning them takes long."""
    with time_machine.travel(NOW, tick=True):
        site = factories.make_site("saltmarsh", name="Saltmarsh Day Unit")
        for n in range(4):
            patient = factories.make_patient(f"R{n}", site=site, family_name="Larkspur")
            factories.make_needs(patient)
            factories.make_antibody(patient, "anti-E", found_year=2014)
            for k, done in enumerate(factories.make_course(patient, sessions=9)):
                factories.make_facts(
                    done, hbs_before_pct=28.0 + WOBBLE[(k + n) % 8], hbs_after_pct=13.5 + WOBBLE[(k + 3 * n) % 8] / 2,
                    hb_before_g_l=92 + 2 * WOBBLE[(k + 5 * n) % 8], hb_after_g_l=103 + 2 * WOBBLE[(k + 2 * n) % 8],
                )  # fmt: skip
            factories.make_measure(patient, on=TODAY, weight_kg=60.0, height_cm=None)
        planner.renew(list(site.patients.values_list("pk", flat=True)), NOW)


@pytest.fixture
def site(made_once, db) -> Site:
    return Site.objects.get(code="saltmarsh")


@pytest.fixture
def people(site, frozen_day) -> list[Patient]:
    return list(site.patients.order_by("patient_ref"))


@pytest.fixture
def measured(people) -> Patient:
    patient = people[0]
    factories.make_result(patient, analyte=Analyte.HB, value=94.0)
    factories.make_result(patient, analyte=Analyte.HBS, value=28.4)
    return patient


def plan_today(client: Any, patient: Patient, **sent: Any) -> ExchangeSession:
    answer = client.post(
        reverse("bedside:new", args=[patient.patient_ref]), {"on": TODAY.isoformat(), "receipt": "r-new", **sent}
    )
    assert answer.status_code == 302
    exchange_session = ExchangeSession.objects.get(patient=patient, state="planned")
    assert answer["Location"] == address("plan", exchange_session)
    return exchange_session


def address(name: str, exchange_session: ExchangeSession) -> str:
    return reverse(f"bedside:{name}", args=[exchange_session.patient.patient_ref, exchange_session.pk])


def newest(exchange_session: ExchangeSession) -> Prescription:
    return Prescription.objects.filter(exchange_session=exchange_session).order_by("-number")[0]


def sent_of(exchange_session: ExchangeSession, **changed: Any) -> dict[str, Any]:
    """What the form of the plan sends when nothing was typed but `changed`."""
    plan = newest(exchange_session)
    exchange_session = ExchangeSession.objects.get(pk=exchange_session.pk)
    sent = {
        "receipt": f"r-{plan.number}", "version": exchange_session.version, "weight_kg": "60", "hb_g_l": "94",
        "hbs_pct": "28.4", "taken_at": "10:00", "method": plan.method, "why": "",
    }  # fmt: skip
    for step in plan.steps:
        n = step["number"]
        sent |= {f"s{n}-fluid": step["fluid"], f"s{n}-in_ml": step["in_ml"], f"s{n}-out_ml": step["out_ml"]}
        sent |= {f"s{n}-cells_hb_g_l": step["cells_hb_g_l"] or ""}
    return sent | changed


def text_of(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", answer.content.decode()))


# Planning


def test_a_session_is_planned_for_today_from_the_persons_plan(nurse_client, measured):
    """Weight, Hb and HbS of today go into plan 1; the plan page shows it as the sketch does."""
    before = nurse_client.get(f"/people/{measured.patient_ref}/plan/").content.decode()
    assert "Plan this session for today" in before
    exchange_session = plan_today(nurse_client, measured)
    plan = newest(exchange_session)
    assert (plan.number, plan.weight_kg, plan.hb_g_l, plan.hbs_pct, plan.hbs_is_forecast) == (
        1,
        60.0,
        94.0,
        28.4,
        False,
    )
    assert plan.inputs["hb"]["result"] == LabResult.objects.get(patient=measured, analyte=Analyte.HB, link=None).pk
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert f"Give {plan.units} units" in text
    assert "Hb measured 10:00 today" in text
    assert "Limits at every moment" in text
    assert "Antibodies ever found: anti-E" in text
    assert "CAUTION" in text
    after = nurse_client.get(f"/people/{measured.patient_ref}/plan/").content.decode()
    assert "Plan this session for today" not in after
    assert address("plan", exchange_session) in after


def test_pressing_twice_plans_once(nurse_client, measured):
    sent = {"on": TODAY.isoformat(), "receipt": "same"}
    there = [nurse_client.post(reverse("bedside:new", args=[measured.patient_ref]), sent)["Location"] for _ in range(2)]
    assert there[0] == there[1]
    assert Prescription.objects.count() == 1


def test_without_results_of_today_hb_is_expected_and_hbs_forecast_and_both_are_said(nurse_client, people):
    exchange_session = plan_today(nurse_client, people[0])
    plan = newest(exchange_session)
    assert plan.inputs["hb"]["result"] is None
    low, high = plan.inputs["hbs"]["forecast"]
    assert low < plan.hbs_pct < high
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert "Hb before is expected, not measured" in text
    assert "HbS before is forecast. The plan may be signed on it" in text
    assert "from weight 60.0 kg of" in text and "HbS is forecast. When any of it is corrected" in text


def test_a_locked_person_is_not_planned_and_the_reason_is_said(nurse_client, people):
    factories.make_haemolysis_sign(people[0])
    planner.renew([people[0].pk], NOW)
    sent = {"on": TODAY.isoformat(), "receipt": "r"}
    answer = nurse_client.post(reverse("bedside:new", args=["R0"]), sent, follow=True)
    assert "Nothing was planned. Possible haemolysis" in text_of(answer)
    assert not Prescription.objects.exists()


@pytest.mark.parametrize("on", ["", "yesterday", (TODAY - timedelta(days=1)).isoformat()])
def test_a_day_that_cannot_be_is_refused(nurse_client, measured, on):
    sent = {"on": on, "receipt": "r"}
    answer = nurse_client.post(reverse("bedside:new", args=["R0"]), sent, follow=True)
    assert "Nothing was planned" in text_of(answer)
    assert not ExchangeSession.objects.filter(state="planned").exists()


@pytest.mark.parametrize("method", ["one_arm", "automated"])
def test_other_methods_are_planned_and_shown(nurse_client, measured, method):
    exchange_session = plan_today(nurse_client, measured, method=method)
    plan = newest(exchange_session)
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    if method == "one_arm":
        assert all(not (step["in_ml"] and step["out_ml"]) for step in plan.steps)
        assert "by hand, one arm, session planned" in text
        hours, rest = divmod(plan.units * 70, 60)  # 70 min a unit with one arm, 45 with two: the settings' defaults
        assert f"{hours} h" in text or f"{hours} h {rest}" in text
    else:
        assert len(plan.steps) == 1
        assert "Totals and end figures only" in text
        assert " on the machine and an hour’s rest" in text
        assert {row["name"] for row in plan.limits} == {"hb_after", "rise", "hb_floor", "blood_out", "units"}


@pytest.mark.parametrize(
    ("access", "decided", "planned"),
    [
        ("both arms, 18 G", "", "two_arm"),
        ("one arm, port on the other side", "", "one_arm"),
        ("one arm, port on the other side", "two_arm", "one_arm"),
        ("one arm, port on the other side", "automated", "one_arm"),
        ("both arms, 18 G", "one_arm", "one_arm"),
        ("both arms, 18 G", "automated", "automated"),
    ],
)
def test_a_session_is_planned_as_decided_for_the_person_or_as_their_access_allows(
    nurse_client, measured, access, decided, planned
):
    Patient.objects.filter(pk=measured.pk).update(vascular_access=access)
    factories.make_goals(measured, since=TODAY - timedelta(days=1), method=decided)
    suggested = text_of(nurse_client.get(reverse("worklist:plan", args=["R0"])))
    assert ("Automated exchanges are decided for this person" in suggested) is (planned == "automated")
    exchange_session = plan_today(nurse_client, measured)
    assert (exchange_session.method, newest(exchange_session).method) == (planned, planned)


@pytest.mark.parametrize("flagged", [False, True])
def test_through_one_arm_a_last_draw_without_return_is_told_from_all_that_have_one(nurse_client, people, flagged):
    """Whoever has a flag is given first and drawn after it: their plan is level, and its last draw is one of many."""
    Patient.objects.filter(pk=people[0].pk).update(flag_brain=flagged)
    for analyte, value in ((Analyte.HB, 108.0), (Analyte.HBS, 28.4)):
        factories.make_result(people[0], analyte=analyte, value=value)
    exchange_session = plan_today(nurse_client, people[0], method="one_arm")
    steps = newest(exchange_session).steps
    assert (steps[-1]["in_ml"], steps[-1]["out_ml"] > 0) == (0, True)
    words = "drawn without return, so that Hb does not end too high"
    assert [step["number"] for step in steps if step["why"] == words] == ([] if flagged else [len(steps)])
    short_ml = sum(step["out_ml"] - step["in_ml"] for step in steps)
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert (short_ml > 120.0) is not flagged
    why = "given first, drawn after: this person is not left short of volume"
    assert (steps[0]["in_ml"] > 0, steps[0]["why"] == why) == (flagged, flagged)
    assert "Draw only" not in text.split("Change the plan")[0]
    assert (f"This plan ends {short_ml:.0f} mL short, {short_ml / 60.0:.1f} mL/kg" in text) is not flagged


# Typing


@pytest.mark.parametrize("flagged", [False, True])
def test_one_row_of_both_is_parted_for_one_arm_and_is_given_first_only_with_a_flag(nurse_client, measured, flagged):
    """A unit of 258 mL in and 260 mL out in one row: who has a flag is never drawn before it is in."""
    Patient.objects.filter(pk=measured.pk).update(flag_brain=flagged)
    exchange_session = plan_today(nurse_client, measured, method="one_arm")
    rows = {name: "" for name in sent_of(exchange_session) if re.match(r"s\d+-", name)}
    sent = {name: value for name, value in sent_of(exchange_session).items() if name not in rows}
    row = {"s1-fluid": "red_cells", "s1-in_ml": "258", "s1-out_ml": "260", "s1-cells_hb_g_l": "194"}
    nurse_client.post(address("typed", exchange_session), sent | row | {"do": "keep", "why": "one unit today"})
    plan = newest(exchange_session)
    found = [(step["in_ml"], step["out_ml"], step["units"]) for step in plan.steps]
    parts = [(258.0, 0.0, [1]), (0.0, 260.0, [])]
    assert (plan.number, found) == (2, parts if flagged else parts[::-1])
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert "Drawn first:" not in text
    first = {"s1-fluid": "saline", "s1-in_ml": "0", "s1-out_ml": "260", "s1-cells_hb_g_l": ""}
    then = {"s2-fluid": "red_cells", "s2-in_ml": "258", "s2-out_ml": "0", "s2-cells_hb_g_l": "194"}
    text = text_of(nurse_client.post(address("typed", exchange_session), sent | first | then))
    assert ("Drawn first: up to 260 mL more is drawn than was given before it." in text) is flagged


def test_steps_are_kept_by_the_method_that_is_chosen_and_not_by_that_of_the_plan_before(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    sent = sent_of(exchange_session, method="one_arm")
    typed = text_of(nurse_client.post(address("typed", exchange_session), sent, headers={"HX-Request": "true"}))
    assert "by hand, one arm instead of by hand, two arms at once" in typed
    keep = {"do": "keep", "why": "the second cannula is lost"}
    answer = text_of(nurse_client.post(address("typed", exchange_session), sent | keep | {"method": "automated"}))
    assert "the steps are those of another method; make the plan again" in answer
    nurse_client.post(address("typed", exchange_session), sent | keep | {"receipt": "other"})
    plan, session = newest(exchange_session), ExchangeSession.objects.get(pk=exchange_session.pk)
    assert (plan.number, plan.method, session.method) == (2, "one_arm", "one_arm")
    assert all(not (step["in_ml"] and step["out_ml"]) for step in plan.steps)


def test_typing_works_it_out_and_keeps_nothing(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    sent = sent_of(exchange_session, hb_g_l="9.0")
    part = nurse_client.post(address("typed", exchange_session), sent, headers={"HX-Request": "true"})
    text = text_of(part)
    assert "As typed, not kept" in text
    assert "Against plan 1: Hb before 90 instead of 94 g/L" in text
    assert "What is typed is not kept: plan 1 as stored would be signed" in text
    assert Prescription.objects.count() == 1
    assert LabResult.objects.filter(source="by hand").count() == 0


def test_typing_over_a_signed_plan_says_that_the_signed_one_stays(nurse_client, consultant_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    reasons = {
        f"reason-{limit['name']}": "agreed" for limit in newest(exchange_session).limits if limit["state"] != "ok"
    }
    sent = {"receipt": "s", "version": exchange_session.version, "number": 1, **reasons}
    consultant_client.post(address("authorise", exchange_session), sent)
    assert nurse_client.get(address("plan", exchange_session)).content.decode().count('id="day-shut"') == 1
    sent = sent_of(exchange_session, hb_g_l="9.0")
    part = nurse_client.post(address("typed", exchange_session), sent, headers={"HX-Request": "true"})
    assert "plan 1 as stored stays signed. Keep what is typed as the next plan" in text_of(part)


def test_an_hb_that_is_typed_is_not_called_measured_at_the_time_of_another(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    assert "Before, Hb measured" in text_of(nurse_client.get(address("plan", exchange_session)))
    sent = sent_of(exchange_session, hb_g_l="90", do="work")
    text = text_of(nurse_client.post(address("typed", exchange_session), sent))
    assert "Before, Hb as typed" in text
    assert "Before, Hb measured" not in text


def test_without_script_the_button_shows_the_same(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    sent = sent_of(exchange_session, hb_g_l="90", do="work")
    answer = nurse_client.post(address("typed", exchange_session), sent)
    assert answer.templates[0].name == "bedside/day_plan.html"
    assert "Against plan 1: Hb before 90 instead of 94 g/L" in text_of(answer)
    assert 'value="90"' in answer.content.decode()


def test_a_volume_over_a_limit_is_named_at_once(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    sent = sent_of(exchange_session, **{"s1-in_ml": "950", "s1-out_ml": "950", "s1-fluid": "saline"})
    text = text_of(nurse_client.post(address("typed", exchange_session), sent, headers={"HX-Request": "true"}))
    assert "Saline in the session" in text
    assert "allowed is 900 mL" in text  # 15 mL/kg of 60 kg


def test_what_cannot_be_is_said_and_what_was_typed_stays(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    for typed, said in (
        ({"s1-in_ml": "abc"}, "Step 1"),
        ({"hb_g_l": "940"}, "Hb before"),
        ({"s1-in_ml": "0", "s1-out_ml": "3000", "s2-out_ml": "3000"}, "more blood would be drawn than there is"),
    ):
        answer = nurse_client.post(address("typed", exchange_session), sent_of(exchange_session, **typed, do="keep"))
        assert said in text_of(answer)
        assert f'value="{next(iter(typed.values()))}"' in answer.content.decode()
    assert Prescription.objects.count() == 1


@pytest.mark.parametrize("do", ["up-2", "down-1", "out-1", "add-saline", "add-unit", "add-bleed"])
def test_steps_are_moved_added_and_taken_out_without_saving(nurse_client, measured, do):
    exchange_session = plan_today(nurse_client, measured)
    steps = len(newest(exchange_session).steps)
    answer = nurse_client.post(address("typed", exchange_session), sent_of(exchange_session, do=do))
    shown = len(re.findall(r'name="s\d+-in_ml"', answer.content.decode()))
    assert shown == steps + {"out": -1, "add": 1}.get(do.split("-")[0], 0)
    assert Prescription.objects.count() == 1


def test_an_automated_session_is_changed_by_units_and_end_hb(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured, method="automated")
    plan = newest(exchange_session)
    sent = sent_of(exchange_session, units=str(plan.units + 1), hb_end_g_l="9.6")
    text = text_of(nurse_client.post(address("typed", exchange_session), sent, headers={"HX-Request": "true"}))
    assert f"units {plan.units + 1} instead of {plan.units}" in text
    assert "Hb after, settled 96 instead of" in text
    nurse_client.post(address("typed", exchange_session), sent | {"do": "keep", "why": "one unit more came"})
    kept = newest(exchange_session)
    assert (kept.number, kept.units, kept.predicted["hb_settled"][0]) == (2, plan.units + 1, 96.0)
    assert kept.predicted["hbs"][0] < plan.predicted["hbs"][0]


def test_where_one_session_does_not_reach_the_end_a_series_is_shown(nurse_client, measured):
    """Fourteen units would be needed; with two allowed, sessions on consecutive open days come to it."""
    factories.make_goals(measured, since=TODAY, units_most=2, end_target_hbs_pct=8.0)
    exchange_session = plan_today(nurse_client, measured)
    plan = newest(exchange_session)
    days = [row["date"] for row in plan.predicted["series"]]
    assert days[0] == TODAY.isoformat()
    assert days == sorted(set(days))
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert "One session does not reach the end target" in text
    assert "Each day is planned and signed by itself" in text
    assert all(row["units"] <= 2 for row in plan.predicted["series"])


@pytest.mark.parametrize("state", ["closed", "abandoned"])
def test_the_second_day_of_a_series_says_how_it_parts_from_what_the_first_foresaw(nurse_client, measured, state):
    left = {"ended_reason": "faint"} if state == "abandoned" else {}
    yesterday = factories.make_exchange_session(measured, on=TODAY - timedelta(days=1), state=state, **left)
    factories.make_facts(yesterday, hbs_before_pct=40.0, hbs_after_pct=28.0, hb_before_g_l=92, hb_after_g_l=95)
    series = [
        {"date": yesterday.on.isoformat(), "units": 5},
        {"date": TODAY.isoformat(), "units": 1, "hb_before_g_l": 116, "hbs_before_pct": 28.4, "hb_after_g_l": 101},
    ]
    predicted = {"series": series, "end_target_pct": 8.3}
    factories.make_prescription(yesterday, signed_by=measured.site.users.first(), predicted=predicted)
    exchange_session = plan_today(nurse_client, measured)
    plan = newest(exchange_session)
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    words = (
        "Against what the plan of Sun 31 May foresaw for this further session: Hb before 94 instead of 116 g/L; "
        f"units {plan.units} instead of 1; Hb after, settled {plan.predicted['hb_settled'][0]:.0f} instead of 101 g/L; "
        f"end target {plan.predicted['end_target_pct']:.1f} instead of 8.3 %."
    )
    assert (words in text) == (state == "closed"), text[:3000]


def test_a_flag_keeps_saline_from_going_first_unless_a_prescriber_says_why(nurse_client, consultant_client, measured):
    Patient.objects.filter(pk=measured.pk).update(flag_brain=True)
    factories.make_site_setting(site=measured.site, name="hard_hb_floor", value=0)
    exchange_session = plan_today(nurse_client, measured)
    assert newest(exchange_session).steps[0]["fluid"] == "red_cells"
    assert "allow saline first in spite of the flag" in text_of(nurse_client.get(address("plan", exchange_session)))
    first = {"s1-fluid": "saline", "s1-in_ml": "100", "s1-out_ml": "100", "do": "keep", "why": "cells come late"}
    nurse_client.post(address("typed", exchange_session), sent_of(exchange_session, **first))
    plan = newest(exchange_session)
    row = next(row for row in plan.limits if row["name"] == "saline_first")
    before_cells = 0.0
    for step in plan.steps:
        if step["fluid"] == "red_cells":
            break
        before_cells += step["in_ml"]
    assert (plan.number, row["state"], row["hard"], row["reached"]) == (2, "stop", False, before_cells)
    sent = {"receipt": "s", "version": ExchangeSession.objects.get(pk=exchange_session.pk).version, "number": 2}
    text = text_of(consultant_client.post(address("authorise", exchange_session), sent))
    assert f"Saline first: {before_cells:.0f}, allowed is 0 mL. Give the reason for passing it." in text


def test_a_plan_that_cannot_be_signed_is_no_instruction_to_give(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    units = newest(exchange_session).units
    assert f"Give {units} units" in text_of(nurse_client.get(address("plan", exchange_session)))
    plan = newest(exchange_session)
    barred = {"name": "hb_after", "words": "Hb after", "reached": 131.0, "allowed": 110.0, "unit": "g/L",
              "state": "stop", "hard": True, "setting": "hard_hb_after"}  # fmt: skip
    Prescription.objects.filter(pk=plan.pk).update(limits=[barred])
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert f"Not to be given: this plan cannot be signed as it is. It lays out {units} units" in text
    assert f"Give {units} units" not in text
    assert "131, allowed is 110 g/L. This stop cannot be passed here" in text


def test_a_site_that_reads_g_dl_sees_every_hb_so(nurse_client, measured, site):
    exchange_session = plan_today(nurse_client, measured)
    site.shows_g_dl = True
    site.save()
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert "Hb 9.4 to " in text
    assert "Hb after, g/dL" in text
    assert " g/L" not in text.split("Change the plan")[0].split("Limits at every moment")[0]


def test_the_shown_working_names_the_iron_of_the_units_own_setting(nurse_client, measured):
    factories.make_site_setting(site=measured.site, name="iron_mg_per_g_hb", value=3.47)
    text = text_of(nurse_client.get(address("plan", plan_today(nurse_client, measured))))
    assert "3.47 mg for each gram of Hb in less out" in text


# Making again and keeping


def test_made_again_from_todays_figures_it_says_what_differs(nurse_client, measured):
    """A corrected Hb is put in the place of the old one with the reason, a weight typed is today's measure."""
    exchange_session = plan_today(nurse_client, measured)
    sent = sent_of(exchange_session, hb_g_l="8.6", weight_kg="61", do="again")
    refused = nurse_client.post(address("typed", exchange_session), sent)
    assert "Say why: the reason is kept with the change" in text_of(refused)
    assert Prescription.objects.count() == 1
    answer = nurse_client.post(address("typed", exchange_session), sent | {"why": "typed wrongly"}, follow=True)
    text = text_of(answer)
    assert "Hb before: 8.6 read as 86 g/L." in text
    assert re.search(r"Against plan 1: weight 61\.0 instead of 60\.0 kg; Hb before 86 instead of 94 g/L", text)
    plan = newest(exchange_session)
    assert (plan.number, plan.hb_g_l, plan.weight_kg) == (2, 86.0, 61.0)
    result = LabResult.objects.get(pk=plan.inputs["hb"]["result"])
    assert (result.status, result.why, result.value) == ("corrected", "typed wrongly", 86.0)


def test_results_that_were_missing_are_recorded_with_the_time_of_the_sample(nurse_client, people):
    exchange_session = plan_today(nurse_client, people[0])
    sent = sent_of(exchange_session, taken_at="07:20", do="again")
    nurse_client.post(address("typed", exchange_session), sent)
    rows = LabResult.objects.filter(patient=people[0], source="by hand").order_by("analyte")
    assert {(row.analyte, row.value, row.taken_at.strftime("%H:%M")) for row in rows} == {
        (Analyte.HB, 94.0, "06:20"),
        (Analyte.HBS, 28.4, "06:20"),
    }  # fmt: skip -- 07:20 at the unit is 06:20 UTC in summer
    plan = newest(exchange_session)
    assert (plan.number, plan.hbs_is_forecast) == (2, False)


@pytest.mark.parametrize(("given_on", "is_planned"), [(TODAY - timedelta(days=1), True), (TODAY, False)])
def test_what_was_measured_after_something_unknown_given_elsewhere_is_planned_from(
    nurse_client, measured, given_on, is_planned
):
    """A measured HbS is a measured HbS; within one day nobody knows which came first."""
    factories.make_other_transfusion(measured, on=given_on, units=None, volume_ml=None, hb_g=None)
    sent = {"on": TODAY.isoformat(), "receipt": "r-new"}
    answer = nurse_client.post(reverse("bedside:new", args=[measured.patient_ref]), sent, follow=True)
    text = text_of(answer)
    assert Prescription.objects.exists() == is_planned
    assert "Something unknown was transfused elsewhere since the last session" in text
    assert ("Hb and HbS before are those measured after it; no forecast is made" in text) == is_planned


@pytest.mark.parametrize("analyte", [Analyte.HB, Analyte.HBS])
def test_both_hb_and_hbs_must_be_measured_after_something_unknown(nurse_client, people, analyte):
    for one in (Analyte.HB, Analyte.HBS):
        late = TODAY if one == analyte else TODAY - timedelta(days=2)
        factories.make_result(people[0], analyte=one, value=94.0 if one == Analyte.HB else 28.4, on=late)
    factories.make_other_transfusion(people[0], on=TODAY - timedelta(days=1), units=None, volume_ml=None, hb_g=None)
    nurse_client.post(reverse("bedside:new", args=["R0"]), {"on": TODAY.isoformat(), "receipt": "r-new"})
    assert not Prescription.objects.exists()


def test_the_same_hb_in_a_newer_sample_is_a_result_of_its_own(nurse_client, measured):
    """Hb 94 of 10:00, still 94 at 10:30: the plan names the newer one. HbS was not measured again."""
    exchange_session = plan_today(nurse_client, measured)
    first = newest(exchange_session).inputs
    with time_machine.travel(NOW + timedelta(minutes=40), tick=True):
        sent = sent_of(exchange_session, taken_at="10:30", hb_again="on", do="again")
        nurse_client.post(address("typed", exchange_session), sent)
    again = newest(exchange_session).inputs
    result = LabResult.objects.get(pk=again["hb"]["result"])
    assert (result.value, result.taken_at) == (94.0, NOW + timedelta(minutes=30))
    assert result.supersedes_id is None, "the first one stays a result"
    assert again["hb"]["result"] != first["hb"]["result"]
    assert again["hbs"]["result"] == first["hbs"]["result"]


def test_hbs_and_hbc_are_of_one_sample_also_where_one_of_them_stays_the_same(nurse_client, measured):
    Patient.objects.filter(pk=measured.pk).update(genotype="SC")
    factories.make_result(measured, analyte=Analyte.HBC, value=30.0)
    exchange_session = plan_today(nurse_client, measured)
    with time_machine.travel(NOW + timedelta(minutes=40), tick=True):
        sent = sent_of(exchange_session, taken_at="10:30", hbs_pct="29.1", hbc_pct="30", do="again")
        nurse_client.post(address("typed", exchange_session), sent)
    named = newest(exchange_session).inputs["hbs"]
    rows = LabResult.objects.filter(pk__in=[named["result"], *named["with"]])
    assert {(row.analyte, row.value) for row in rows} == {(Analyte.HBS, 29.1), (Analyte.HBC, 30.0)}
    assert {row.taken_at for row in rows} == {NOW + timedelta(minutes=30)}


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"taken_at": "09:30"}, "A sample of 09:30 is not recorded, but every figure is as it was"),
        ({"hb_again": "on"}, "Hb 94 of 10:00 is recorded: type when the newer sample was taken"),
    ],
)
def test_a_new_time_and_the_same_again_are_not_dropped_unsaid(nurse_client, measured, sent, words):
    exchange_session = plan_today(nurse_client, measured)
    before = LabResult.objects.count()
    answer = nurse_client.post(address("typed", exchange_session), sent_of(exchange_session, do="again", **sent))
    assert words in text_of(answer)
    assert (LabResult.objects.count(), newest(exchange_session).number) == (before, 1)


def test_an_hb_beside_an_hbs_of_the_day_before_is_not_given_its_time(nurse_client, people):
    factories.make_result(people[0], analyte=Analyte.HBS, value=28.4, on=TODAY - timedelta(days=1))
    exchange_session = plan_today(nurse_client, people[0])
    page = nurse_client.get(address("plan", exchange_session)).content.decode()
    assert re.search(r'name="taken_at"(?![^>]*value="[^"]+")', page)


def test_no_plan_is_kept_on_an_older_hb_under_the_name_of_a_newer_one(nurse_client, measured):
    """Hb 94 of 10:00 is there; 80 of 07:20 is typed over it. It is recorded, and the plan must not rest on it."""
    exchange_session = plan_today(nurse_client, measured)
    sent = sent_of(exchange_session, hb_g_l="80", taken_at="07:20", do="keep", why="from the ward")
    text = text_of(nurse_client.post(address("typed", exchange_session), sent))
    assert "Hb 80 g/L is recorded, but 94 g/L is of a sample taken later, 1 Jun, 10:00" in text
    assert LabResult.objects.filter(patient=measured, analyte=Analyte.HB, value=80.0).exists()
    assert newest(exchange_session).number == 1


@pytest.mark.parametrize("do", ["again", "keep"])
def test_a_missing_reason_is_said_where_the_reason_is_typed_and_the_button_stands(nurse_client, measured, do):
    exchange_session = plan_today(nurse_client, measured)
    sent = sent_of(exchange_session, hb_g_l="8.6", do=do)
    page = nurse_client.post(address("typed", exchange_session), sent, headers={"HX-Request": "true"}).content.decode()
    around = page[page.index('name="why"') : page.index('value="again"')]
    assert "Not kept" in around
    assert "Say why: the reason is kept with the change" in around
    assert "Not kept" not in nurse_client.get(address("plan", exchange_session)).content.decode()


def test_steps_kept_as_typed_need_a_reason_and_are_the_next_plan(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    changed = {"s1-in_ml": "200", "s1-out_ml": "200", "do": "keep"}
    refused = nurse_client.post(address("typed", exchange_session), sent_of(exchange_session, **changed))
    assert "Say why" in text_of(refused)
    sent = sent_of(exchange_session, **changed, why="felt faint last time")
    nurse_client.post(address("typed", exchange_session), sent)
    plan = newest(exchange_session)
    assert (plan.number, plan.why, plan.steps[0]["in_ml"]) == (2, "felt faint last time", 200.0)
    assert "made" in text_of(nurse_client.get(address("plan", exchange_session)))


def test_two_people_at_one_plan_do_not_overwrite_each_other(nurse_client, consultant_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    stale = sent_of(exchange_session, do="keep", why="later", **{"s1-in_ml": "100"})
    nurse_client.post(address("typed", exchange_session), sent_of(exchange_session, do="again", receipt="first"))
    answer = consultant_client.post(address("typed", exchange_session), stale)
    assert "was changed by someone else" in text_of(answer)
    assert newest(exchange_session).number == 2


def test_a_figure_that_shows_haemolysis_is_kept_though_no_plan_can_be_made(nurse_client, measured):
    """The result must not be lost with the plan that it forbids."""
    exchange_session = plan_today(nurse_client, measured)
    factories.make_haemolysis_sign(measured, on=TODAY)
    sent = sent_of(exchange_session, hb_g_l="61", why="sample repeated", do="again")
    text = text_of(nurse_client.post(address("typed", exchange_session), sent))
    assert "Possible haemolysis" in text
    assert LabResult.objects.get(patient=measured, analyte=Analyte.HB, status="corrected").value == 61.0
    assert newest(exchange_session).number == 1


# Signing


def test_the_consultant_signs_and_everyone_sees_when_it_lapses(nurse_client, consultant_client, measured, nurse):
    exchange_session = plan_today(nurse_client, measured)
    page = consultant_client.get(address("plan", exchange_session)).content.decode()
    assert "Authorise this plan" in page
    assert "Authorise this plan" not in nurse_client.get(address("plan", exchange_session)).content.decode()
    row = ExchangeSession.objects.get(pk=exchange_session.pk)
    reasons = {f"reason-{limit['name']}": "agreed" for limit in newest(row).limits if limit["state"] != "ok"}
    sent = {"receipt": "s", "version": row.version, "number": 1, **reasons}
    answer = consultant_client.post(address("authorise", exchange_session), sent, follow=True)
    assert "Plan 1 is signed" in text_of(answer)
    assert ExchangeSession.objects.get(pk=row.pk).state == "authorised"
    assert "Check and start" in text_of(nurse_client.get(address("plan", exchange_session)))
    result = LabResult.objects.get(pk=newest(row).inputs["hb"]["result"])
    patient_services.correct_result(result=result, value=84.0, why="wrong tube", actor=nurse, at=NOW)
    for client in (nurse_client, consultant_client):
        text = text_of(client.get(address("plan", exchange_session)))
        assert "The signature on plan 1 lapsed" in text
        assert "was corrected to 84 g/L: wrong tube" in text
    start = text_of(nurse_client.get(address("start", exchange_session)))
    assert "The signature on plan 1 lapsed" in start
    assert "was corrected to 84 g/L: wrong tube" in start
    everyone = re.sub(r"<[^>]*>", "", b"".join(nurse_client.get("/")).decode())
    assert "In today, the signature on the plan lapsed. Make the plan again and have it signed." in everyone


def test_a_nurse_and_a_coordinator_cannot_sign_nor_a_coordinator_change(nurse_client, coordinator_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    sent = {"receipt": "s", "version": 1, "number": 1}
    assert nurse_client.post(address("authorise", exchange_session), sent).status_code == 403
    assert coordinator_client.post(address("typed", exchange_session), sent).status_code == 403
    assert coordinator_client.post(address("cancel", exchange_session), sent).status_code == 403
    text = text_of(coordinator_client.get(address("plan", exchange_session)))
    assert "Change the plan" not in text
    assert "A prescriber signs." in text


def test_a_refused_signature_keeps_the_reasons_typed(consultant_client, measured):
    exchange_session = plan_today(consultant_client, measured)
    plan = newest(exchange_session)
    plan.limits = [{"name": "rise", "words": "rise of Hb in the day; x", "reached": 44, "allowed": 40, "unit": "g/L",
                    "state": "stop", "hard": False, "setting": "hard_hb_rise"},
                   {"name": "saline", "words": "saline in the session; x", "reached": 950, "allowed": 900,
                    "unit": "mL", "state": "stop", "hard": False, "setting": "hard_saline"}]  # fmt: skip
    plan.save()
    sent = {"receipt": "s", "version": 1, "number": 1, "reason-rise": "acute", "reason-saline": ""}
    answer = consultant_client.post(address("authorise", exchange_session), sent)
    assert "950, allowed is 900 mL. Give the reason for passing it" in text_of(answer)
    assert 'value="acute"' in answer.content.decode()
    sent |= {"reason-saline": "dehydrated", "receipt": "s2"}
    consultant_client.post(address("authorise", exchange_session), sent)
    assert [row["reason"] for row in newest(exchange_session).broken] == ["acute", "dehydrated"]


def test_cancelling_asks_why(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    sent = {"receipt": "c", "version": 1, "reason": ""}
    assert "Say why the session is cancelled" in text_of(nurse_client.post(address("cancel", exchange_session), sent))
    sent |= {"reason": "no access", "receipt": "c2"}
    text = text_of(nurse_client.post(address("cancel", exchange_session), sent, follow=True))
    assert "This session was cancelled: no access" in text
    assert "Not to be given: the session is cancelled. It laid out" in text
    assert "Give " not in text.split("Steps in order")[0]
    assert "Authorise" not in text


def test_units_at_the_chair_of_a_session_that_has_not_begun_are_one_touch_away(nurse_client, measured, consultant):
    exchange_session = plan_today(nurse_client, measured)
    door = f'href="{address("units", exchange_session)}"'
    assert door not in nurse_client.get(address("plan", exchange_session)).content.decode()
    Prescription.objects.filter(exchange_session=exchange_session).update(authorised_by=consultant, authorised_at=NOW)
    ExchangeSession.objects.filter(pk=exchange_session.pk).update(state="authorised")
    assert door in nurse_client.get(address("plan", exchange_session)).content.decode()
    Prescription.objects.filter(exchange_session=exchange_session).update(lapsed_at=NOW, lapsed_why="Hb corrected.")
    ExchangeSession.objects.filter(pk=exchange_session.pk).update(state="planned")
    assert door in nurse_client.get(address("plan", exchange_session)).content.decode()


@pytest.mark.parametrize(
    ("method", "words"),
    [("one_arm", "Through one arm each line is done by itself."), ("two_arm", "One draw runs ahead of the fluid.")],
)
def test_the_plan_says_what_runs_ahead_of_what(nurse_client, measured, method, words):
    exchange_session = plan_today(nurse_client, measured)
    Prescription.objects.filter(exchange_session=exchange_session).update(method=method)
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert words in text
    assert ("One draw runs ahead" in text) == (method == "two_arm")


@pytest.mark.parametrize("state", ["finished", "closed", "abandoned"])
def test_the_plan_of_a_session_that_is_over_is_no_instruction_to_give(nurse_client, measured, state):
    exchange_session = plan_today(nurse_client, measured)
    units = newest(exchange_session).units
    ExchangeSession.objects.filter(pk=exchange_session.pk).update(state=state, ended_reason="given up")
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert f"Planned were {units} units" in text
    assert f"Give {units} units" not in text


def test_an_hbs_that_comes_after_signing_re_scores_and_takes_nothing_away(nurse_client, consultant_client, people):
    patient = people[0]
    factories.make_result(patient, analyte=Analyte.HB, value=94.0)
    exchange_session = plan_today(nurse_client, patient)
    plan = newest(exchange_session)
    reasons = {f"reason-{limit['name']}": "agreed" for limit in plan.limits if limit["state"] != "ok"}
    consultant_client.post(
        address("authorise", exchange_session), {"receipt": "s", "version": 1, "number": 1, **reasons}
    )
    factories.make_result(patient, analyte=Analyte.HBS, value=plan.hbs_pct + 6)
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    found = re.search(r"with it the session ends at ([\d.]+) instead of ([\d.]+) %", text)
    assert found is not None
    assert float(found[1]) > float(found[2])
    assert ExchangeSession.objects.get(pk=exchange_session.pk).state == "authorised"


def test_an_hbs_of_a_later_sample_than_the_plan_was_made_on_is_said(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    factories.make_result(measured, analyte=Analyte.HBS, value=28.4)
    assert "came after plan" not in text_of(nurse_client.get(address("plan", exchange_session))), "the same again"
    factories.make_result(measured, analyte=Analyte.HBS, value=38.4)
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    found = re.search(
        r"HbS 38\.4 % came after plan 1 was made on an earlier 28\.4; with it the session ends at ([\d.]+)", text
    )
    assert found is not None
    assert float(found[1]) > newest(exchange_session).predicted["hbs"][0]


def test_a_running_session_shows_what_was_corrected_loudly(nurse_client, people, consultant, nurse):
    patient = people[1]
    result = factories.make_result(patient, analyte=Analyte.HB, value=94.0)
    named = {"hb": {"result": result.pk, "value": 94.0, "taken_at": NOW.isoformat()}}
    running = factories.make_running(patient, by=consultant, inputs=named)
    patient_services.correct_result(result=result, value=74.0, why="wrong tube", actor=nurse, at=NOW)
    text = text_of(nurse_client.get(address("plan", running)))
    assert "Corrected while the session runs: Hb 94 g/L of 1 Jun, 10:00 was corrected to 74 g/L" in text
    assert "The signed plan is not rewritten" in text


@pytest.mark.parametrize("state", ["planned", "authorised"])
def test_a_session_whose_day_has_gone_by_bars_no_new_plan_and_is_cancelled_with_its_reason(
    nurse_client, consultant, measured, state
):
    left = factories.make_planned_session(measured, on=TODAY - timedelta(days=4), state=state)
    factories.make_prescription(left, signed_by=consultant if state == "authorised" else None)
    plans = text_of(nurse_client.get(reverse("worklist:plan", args=[measured.patient_ref])))
    assert "Its day has gone by" in plans
    answer = nurse_client.post(
        reverse("bedside:new", args=[measured.patient_ref]), {"on": TODAY.isoformat(), "receipt": "r-new"}
    )
    anew = ExchangeSession.objects.get(patient=measured, on=TODAY)
    assert answer["Location"] == address("plan", anew)
    assert "has gone by" not in text_of(nurse_client.get(address("plan", anew)))
    page = text_of(nurse_client.get(address("plan", left)))
    assert "The day of this session has gone by, and nothing of it was begun." in page
    sent = {"receipt": "r-c", "version": left.version, "reason": "She did not come."}
    assert nurse_client.post(address("cancel", left), sent).status_code == 302
    left.refresh_from_db()
    assert (left.state, left.ended_reason) == ("cancelled", "She did not come.")
    assert "has gone by" not in text_of(nurse_client.get(reverse("worklist:plan", args=[measured.patient_ref])))


# Queries and paper


@pytest.mark.parametrize("others", [1, 3])
def test_the_page_asks_a_fixed_number_of_queries(nurse_client, nurse, measured, others, django_assert_max_num_queries):
    for number in range(others):
        sign = factories.make_haemolysis_sign(measured, on=TODAY - timedelta(days=100 + number), noted_at=NOW)
        factories.make_lock_lift(measured, by=nurse, on=sign.on)
    exchange_session = plan_today(nurse_client, measured)
    for number in range(others):
        made = newest(exchange_session)
        made.pk, made.number = None, 2 + number
        made.save()
    nurse_client.get(address("plan", exchange_session))
    with django_assert_max_num_queries(QUERIES) as asked:
        nurse_client.get(address("plan", exchange_session))
    assert len(asked) == QUERIES


def paper_text(answer: Any) -> str:
    assert answer["Content-Type"] == "application/pdf"
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=answer.content, capture_output=True, check=True)
    return re.sub(r"\s+", " ", done.stdout.decode())


def test_the_plan_on_paper_says_whether_it_is_signed(nurse_client, measured, consultant):
    exchange_session = plan_today(nurse_client, measured)
    text = paper_text(nurse_client.get(address("sheet", exchange_session)))
    plan = newest(exchange_session)
    assert "NOT SIGNED: no order" in text
    for step in plan.steps:
        assert f"{step['out_ml']:,.0f}" in text
    assert "Larkspur" in text
    assert "anti-E" in text
    assert "CAUTION" in text
    plan.authorised_by, plan.authorised_at = consultant, NOW
    plan.save()
    assert f"Signed by {consultant.full_name}" in paper_text(nurse_client.get(address("sheet", exchange_session)))


def test_the_empty_record_of_an_automated_session_has_room_for_its_totals(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured, method="automated")
    text = paper_text(nurse_client.get(address("empty_sheet", exchange_session)))
    assert "Totals of the machine" in text
    assert "End figures, word for word; by" in text
    assert "Plan in" not in text


def test_the_empty_record_has_room_for_every_step_unit_and_observation(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    text = paper_text(nurse_client.get(address("empty_sheet", exchange_session)))
    for words in ("Donation number", "First", "Second", "Observations", "Going home", "Reaction", "Consent in date"):
        assert words in text
    assert "NOT SIGNED" in text


def test_the_empty_record_has_a_row_for_every_set_of_observations_that_falls_due(nurse_client, measured, monkeypatch):
    """Before, 15 min into each unit, every 30 min at 45 min a unit, at the end: 17 for six units."""
    exchange_session = plan_today(nurse_client, measured)
    Prescription.objects.filter(exchange_session=exchange_session).update(units=6)
    monkeypatch.setattr("programme.bedside.pdf.to_pdf", str.encode)
    page = nurse_client.get(address("empty_sheet", exchange_session)).content.decode()
    rows = page.partition('<caption class="vh">Observations</caption>')[2].partition("</table>")[0]
    assert rows.count('<th scope="row">') == 1 + 6 + 270 // 30 + 1


def test_the_empty_record_names_method_weight_and_flag_and_keeps_the_order(nurse_client, measured):
    """Who has a flag is given first: the sheet is all that is at the chair while the programme is away."""
    Patient.objects.filter(pk=measured.pk).update(flag_brain=True, flag_heart=True)
    exchange_session = plan_today(nurse_client, measured, method="one_arm")
    text = paper_text(nurse_client.get(address("empty_sheet", exchange_session)))
    assert "By hand, one arm, planned for 60.0 kg; flag cerebrovascular and cardiac." in text
    assert "Each line is done by itself, in this order." in text
    assert text.index("Red cells") < text.index(" 2 Draw ")


def test_a_session_without_a_plan_says_so_and_prints_nothing(nurse_client, measured):
    bare = factories.make_planned_session(measured, on=TODAY)
    assert "No session is laid out" in text_of(nurse_client.get(address("plan", bare)))
    assert nurse_client.get(address("sheet", bare)).status_code == 404


# Consent and sample


def test_consent_and_sample_are_recorded_shown_and_taken_back(nurse_client, measured):
    exchange_session = plan_today(nurse_client, measured)
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert "No consent is recorded" in text
    assert "No crossmatch sample is recorded" in text
    sent = {"receipt": "a", "given_on": "1 Jun 2026", "valid_until": "1 Jun 2027", "given_by": "herself"}
    nurse_client.post("/people/R0/consent/", sent)
    nurse_client.post("/people/R0/crossmatch/", {"receipt": "b", "taken_on": "31 May 2026", "taken_at": "15:40"})
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert "No consent" not in text
    assert "Crossmatch sample taken Sun 31 May 15:40; the last unit must be started by Wed 3 Jun 15:40." in text
    nurse_client.post("/people/R0/consent/taken-back/", {"receipt": "c", "on": "1 Jun 2026", "why": "unsure"})
    nurse_client.post("/people/R0/crossmatch/withdrawn/", {"receipt": "d", "why": "not labelled"})
    text = text_of(nurse_client.get(address("plan", exchange_session)))
    assert "No consent is recorded" in text
    assert "No crossmatch sample is recorded" in text


def test_a_consent_or_sample_that_cannot_be_is_refused_beside_its_field(nurse_client, people):
    sent = {"receipt": "a", "given_on": "1 Jun 2027", "valid_until": "1 Jun 2026", "given_by": ""}
    text = text_of(nurse_client.post("/people/R0/consent/", sent))
    assert "is in the future" in text
    assert "Given by is needed" in text
    text = text_of(
        nurse_client.post("/people/R0/crossmatch/", {"receipt": "b", "taken_on": "1 Jun 2026", "taken_at": "x"})
    )
    assert "is not a time" in text
    assert not people[0].consents.exists()
    assert not people[0].crossmatch_samples.exists()


def test_signatures_are_looked_at_again_after_the_forecast_was_renewed():
    """Figures lock a person when the forecast is renewed on commit: what they lock must be looked at after that."""
    order = changes._subscribers
    assert order.index(lapse_where_changed) > order.index(planner.renew)
