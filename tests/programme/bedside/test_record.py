"""The record of a session: by itself on paper, and as a table that no spreadsheet runs."""

import csv
import io
import math
import re
import subprocess
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from patients.models import CrossmatchSample
from patients.services import withdraw_sample
from programme.bedside.queries.record import read_record
from programme.bedside.tables import HEADER
from programme.core import access
from programme.core.numeric.setting_table import DEFAULTS
from programme.core.tables import safe
from sessions.day.models import Entry, Prescription
from sessions.day.numeric.machine import Totals
from sessions.day.services import afterwards, finishing
from sessions.day.services.entering import add_entry
from sessions.day.services.giving import start_unit
from sessions.models import SessionFacts
from tests.conftest import client_of
from tests.day import DONE, ENDED, MACHINE_TOTALS, PLAN, STARTED, automated_day, finished_day, sampled_day
from tests.factories import (
    NOW,
    make_adverse_event,
    make_antibody,
    make_needs,
    make_patient,
    make_running,
    make_user,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def patient(site: Any) -> Any:
    patient = make_patient("SM-042", family_name="Winterbourne", given_name="Adaeze")
    make_needs(patient)
    make_antibody(patient, "anti-E", found_year=2014)
    return patient


@pytest.fixture
def session(patient, nurse, consultant) -> Any:
    """A closed session in which a time and a volume were put right."""
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    later = ENDED + timedelta(minutes=10)
    first = Entry.objects.filter(kind="moved").first()
    right = {"number": first.number, "happened_at": (STARTED + timedelta(minutes=4)).isoformat()}
    add_entry(
        exchange_session=session, key="t", kind="time", body=right, actor=nurse, at=later, why="entered after the bag"
    )
    afterwards.correct_volume(
        exchange_session=session, number=first.number, in_ml=280, out_ml=300, why="=bag read again", key="v",
        actor=nurse, at=later,
    )  # fmt: skip
    taken = ENDED + timedelta(minutes=34)
    afterwards.record_sample(
        exchange_session=session, taken_at=taken, place="left arm", from_return=False, key="s", actor=nurse, at=taken
    )
    afterwards.record_after_results(
        exchange_session=session, values={"718-7": 105.0, "4625-0": 23.4}, actor=nurse, at=taken
    )
    session.refresh_from_db()
    return finishing.close(
        exchange_session=session, version=session.version, actor=nurse, at=NOW, key="c", reason="left in a hurry"
    )


def words_in(paper: bytes) -> str:
    """Read the text of a PDF back with poppler."""
    done = subprocess.run(["pdftotext", "-", "-"], input=paper, capture_output=True, check=True)
    return " ".join(done.stdout.decode().split())


def rows_of(answer: Any) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(answer.content.decode(), newline="")))


def test_the_record_says_all_that_a_stranger_needs(session, nurse_client, frozen_day) -> None:
    record = read_record(session, NOW)
    assert (record.name, record.born) == ("Winterbourne, Adaeze", "14 Mar 1994")
    assert record.totals.startswith("Saline in 280 mL, red cells in 774 mL of 3 units, blood out 1,060 mL")
    (plan,) = record.plans
    assert plan.carried_out
    assert "Signed" in plan.said[2]
    assert "Consultant of Saltmarsh Day Unit, consultant" in plan.said[2]
    assert [(u.place, u.end) for u in record.units] == [(1, "given"), (2, "given"), (3, "given")]
    assert "Nurse of Saltmarsh Day Unit and Consultant of Saltmarsh Day Unit" in record.units[0].checked
    undone = [line for line in record.log if line.undone]
    assert [(line.in_ml, line.undone) for line in undone] == [(300, "undone by entry 16: =bag read again")]
    assert undone[0].was == "was 05:10, put right by Nurse of Saltmarsh Day Unit: entered after the bag"
    said = [line.words for line in record.results]
    assert any(words.startswith("Hb 94 g/L") for words in said)
    assert any(words.startswith("HbS 23.4 %") for words in said)
    assert [line.words for line in record.moves] == ["Finish session", "Rewrite totals", "Close session"]
    assert record.moves[-1].why == "left in a hurry"
    assert record.compared[0].startswith("HbS after: forecast 23.1 % (")


def test_a_draw_by_itself_is_no_saline_on_paper_or_in_the_table(
    patient, nurse, consultant, nurse_client, frozen_day
) -> None:
    steps = [PLAN[0] | {"in_ml": 0}, PLAN[0] | {"number": 2, "out_ml": 0, "draws": []}, PLAN[1] | {"number": 3}]
    drawn = [("moved", {"step": 1, "in_ml": 0, "out_ml": 300, "fluid": "saline"}, 5)]
    given = [("moved", {"step": 2, "in_ml": 300, "out_ml": 0, "fluid": "saline"}, 10)]
    rest = [(kind, body | {"step": 3} if kind == "moved" else body, minute) for kind, body, minute in DONE[1:]]
    session = finished_day(
        patient, nurse=nurse, consultant=consultant, method="one_arm", steps=steps, entries=[*drawn, *given, *rest]
    )
    record = read_record(session, NOW)
    assert [step[1] for step in record.plans[0].steps] == ["Draw", "Saline", "Red cells"]
    assert [line.words for line in record.steps[:2]] == ["Draw to 05:05", "Saline to 05:10"]
    rows = rows_of(nurse_client.get(f"/people/SM-042/day/{session.pk}/record.csv"))
    volumes = [row for row in rows if row["kind"] in ("moved", "step as carried out") and row["in_ml"] == "0"]
    assert {row["fluid"] for row in volumes} == {""}, volumes
    assert {row["out_ml"] for row in volumes} >= {"300"}


def test_the_table_says_where_it_was_and_what_its_times_and_volumes_are(session, nurse_client, frozen_day) -> None:
    rows = rows_of(nurse_client.get(f"/people/SM-042/day/{session.pk}/record.csv"))
    assert [row["words"] for row in rows[:2]] == [
        "Carried out at: Saltmarsh Day Unit",
        "Times and volumes: times in words are of Europe/London; in is fluid given, out is blood drawn, in mL",
    ]


def test_the_paper_can_be_read_without_the_programme(session, nurse_client, frozen_day) -> None:
    answer = nurse_client.get(f"/people/SM-042/day/{session.pk}/record.pdf")
    assert answer.headers["Content-Type"] == "application/pdf"
    said = words_in(answer.content)
    for words in (
        "Winterbourne, Adaeze reference SM-042, born 14 Mar 1994, female",
        "genotype SS",
        "Antibodies ever found: anti-E 2014",
        "Session of Monday 1 Jun 2026: closed",
        "Saline in 280 mL, red cells in 774 mL of 3 units",
        "Plan 1, the one carried out",
        f"G{session.pk:04d}2600001",
        "after-sample taken 1 Jun 2026 08:45 from left arm",
        "BP 112/70, pulse 78",
        "Closed although",
        "CAUTION",
        "Local policy applies, and a licensed prescriber decides.",
        "Printed 1 Jun 2026, 10:00 by Nurse of Saltmarsh Day Unit",
    ):
        assert words in said, words


def test_every_short_word_of_the_paper_is_explained_on_it_and_everybody_is_said_who_they_are(
    session, nurse_client, frozen_day
) -> None:
    said = words_in(nurse_client.get(f"/people/SM-042/day/{session.pk}/record.pdf").content)
    body, named = said.split("Who is named here")
    named, words = named.split("Words used here")
    for person in ("Consultant of Saltmarsh Day Unit, consultant", "Nurse of Saltmarsh Day Unit, specialist nurse"):
        assert person in named
    for short in ("HbS", "Hb", "BP", "mixes like", "settled", "eight of ten", "Share of ideal removed", "two arms"):
        assert short in body, short
        assert short.casefold() in words.casefold(), short
    assert "15 min after a unit was started: BP 112/70" in body
    assert "in 258 mL of unit 1, step 2" in body


def test_the_table_has_one_header_and_gives_every_volume_back(session, nurse_client, frozen_day) -> None:
    answer = nurse_client.get(f"/people/SM-042/day/{session.pk}/record.csv")
    assert answer.content.decode().splitlines()[0] == ",".join(HEADER)
    rows = rows_of(answer)
    assert {row["patient_ref"] for row in rows} == {"SM-042"}
    moved = [row for row in rows if row["kind"] == "moved" and not row["undone"]]
    assert sum(float(row["in_ml"]) for row in moved) == 280 + 774
    assert sum(float(row["out_ml"]) for row in moved) == 1060
    steps = [row for row in rows if row["kind"] == "step as carried out"]
    assert sum(float(row["in_ml"]) for row in steps) == 280 + 774
    vital = [(row["words"], row["value"], row["value_unit"]) for row in rows if row["kind"] == "vital sign"]
    assert ("pulse", "78", "/min") in vital
    results = {(row["kind"], row["value"], row["value_unit"]) for row in rows if row["kind"].startswith("result")}
    assert ("result after", "23.4", "%") in results
    at = next(row["at"] for row in rows if row["kind"] == "sample")
    assert at.endswith("+01:00")


def test_the_table_stands_alone_who_what_was_planned_signed_passed_and_given(session, nurse_client, frozen_day) -> None:
    rows = rows_of(nurse_client.get(f"/people/SM-042/day/{session.pk}/record.csv"))
    by_kind: dict[str, list[str]] = {}
    for row in rows:
        by_kind.setdefault(row["kind"], []).append(row["words"])
    head = by_kind["record"]
    for words in (
        "Name: Winterbourne, Adaeze", "Born: 14 Mar 1994", "Antibodies ever found: anti-E 2014",
        "Method: by hand, two arms at once",
    ):  # fmt: skip
        assert any(line.startswith(words) for line in head), (words, head)
    assert any(line.startswith("Weight: ") for line in head)
    (plan,) = by_kind["plan"]
    assert plan.startswith("the plan carried out. Made ")
    assert "Signed " in plan
    assert "Consultant of Saltmarsh Day Unit, consultant" in plan
    planned = [row for row in rows if row["kind"] == "step as planned"]
    assert sum(float(row["in_ml"]) for row in planned) > 0
    units = [row for row in rows if row["kind"] == "unit"]
    assert [row["unit"] for row in units] == ["1", "2", "3"]
    assert f"G{session.pk:04d}2600001" in units[0]["words"]
    assert "checked by Nurse of Saltmarsh Day Unit and Consultant of Saltmarsh Day Unit" in units[0]["words"]
    assert units[0]["words"].endswith("given")


def test_a_reaction_names_its_unit_and_a_limit_passed_its_reason_in_the_table_too(session, nurse) -> None:
    unit = session.donation_units.get(place=2)
    make_adverse_event(session, by=nurse, unit=unit)
    session.prescriptions.update(broken=[{"name": "rise", "words": "Rise of Hb", "reason": "agreed for today"}])
    record = read_record(session, NOW)
    (reaction,) = record.events
    assert (reaction.unit, f"unit 2, {unit.donation_number}" in reaction.words) == (2, True)
    passed = [line.words for line in record.lines() if line.kind == "limit passed"]
    assert passed == ["Rise of Hb: agreed for today"]


def test_each_unit_names_the_crossmatch_sample_it_was_started_on(patient, nurse, consultant, nurse_client, frozen_day):
    """Also once the laboratory has taken that sample back; a later sample is not put in its place."""
    first = CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW + timedelta(hours=1))
    session = make_running(patient, by=consultant, unit_state="checked")
    session.donation_units.filter(place=1).update(
        donation_number="G123498654321", abo="O", rhd="+", antigens_negative="C, E, K", hbs_negative=True,
        expires_on=NOW.date() + timedelta(days=10), product_code="E0336V00", volume_ml=258,
    )  # fmt: skip
    unit = session.donation_units.get(place=1)
    start_unit(unit=unit, version=unit.version, key="start", actor=nurse, at=NOW + timedelta(minutes=1))
    withdraw_sample(sample=first, why="wrong tube", actor=nurse, at=NOW + timedelta(hours=2))
    said = "crossmatch sample taken 31 May 2026 14:00; the sample was withdrawn later: wrong tube"
    rows = rows_of(nurse_client.get(f"/people/SM-042/day/{session.pk}/record.csv"))
    assert [said in row["words"] for row in rows if row["kind"] == "unit"] == [True, False]
    paper = nurse_client.get(f"/people/SM-042/day/{session.pk}/record.pdf").content
    assert said in words_in(paper)


def test_no_cell_is_a_formula(session, nurse_client, frozen_day) -> None:
    rows = rows_of(nurse_client.get(f"/people/SM-042/day/{session.pk}/record.csv"))
    assert "'=bag read again" in {row["why"] for row in rows}
    assert not [cell for row in rows for cell in row.values() if cell.startswith(("=", "@", "\t", "\r", "+"))]


@pytest.mark.parametrize(
    ("cell", "kept"),
    [
        ("=1+1", "'=1+1"), ("+44", "'+44"), ("-cmd|x", "'-cmd|x"), ("@SUM(A1)", "'@SUM(A1)"), ("\t=1", "'\t=1"),
        ("-12.5", "-12.5"), ("well", "well"), ("", ""), ("\uff1d1", "'\uff1d1"),
    ],
)  # fmt: skip
def test_text_that_begins_like_a_formula_gets_an_apostrophe(cell: str, kept: str) -> None:
    """The starting characters are those of OWASP's page 'CSV Injection'."""
    assert safe(cell) == kept


def test_a_session_just_started_has_a_record_too(patient, nurse, consultant, nurse_client, frozen_day) -> None:
    session = sampled_day(patient, nurse=nurse, consultant=consultant)
    type(session).objects.filter(pk=session.pk).update(
        state="planned", red_cells_in_ml=None, saline_in_ml=None, blood_out_ml=None
    )
    Entry.objects.all().delete()
    assert nurse_client.get(f"/people/SM-042/day/{session.pk}/record.pdf").status_code == 200


@pytest.mark.parametrize("role", ["nurse", "consultant", "coordinator"])
@pytest.mark.parametrize("paper", ["record.pdf", "record.csv"])
def test_the_clinical_record_is_given_out_as_the_matrix_says(session, site, role, paper, frozen_day) -> None:
    reader = make_user(site=site, role=role, username=f"reader.{role}")
    answer = client_of(reader).get(f"/people/SM-042/day/{session.pk}/{paper}")
    assert answer.status_code == (200 if role in access.matrix()["see.record"] else 403)
    assert "coordinator" not in access.matrix()["see.record"]


def test_a_session_of_somebody_else_has_no_record_here(session, elsewhere_client) -> None:
    assert elsewhere_client.get(f"/people/SM-042/day/{session.pk}/record.csv").status_code == 404


def test_a_plan_names_the_flags_that_it_was_made_under(session) -> None:
    assert all("flag" not in " ".join(plan.said) for plan in read_record(session, NOW).plans)
    Prescription.objects.update(inputs={"flags": ["flag_brain", "flag_heart"]})
    words = " ".join(read_record(session, NOW).plans[-1].said)
    assert " %, flag cerebrovascular, flag cardiac; blood volume" in words


def test_a_limit_passed_is_named_in_words_with_its_reason(session) -> None:
    words = "Hb at the end and its peak: 118, allowed is 110 g/L"
    Prescription.objects.update(broken=[{"name": "hb_after", "words": words, "reason": "known high"}])
    plan = read_record(session, NOW).plans[-1]
    assert plan.broken == (f"{words}: known high",)


# Automated


@pytest.fixture
def machine(patient, nurse, consultant) -> Any:
    """A closed automated session whose totals were put right after the end."""
    session = finished_day(patient, nurse=nurse, consultant=consultant, make=automated_day)
    Prescription.objects.update(predicted={"hb_settled": [95.0, 89.0, 101.0]})
    later = ENDED + timedelta(minutes=10)
    right = replace(Totals.of_body(MACHINE_TOTALS), blood_out_ml=960.0)
    afterwards.correct_totals(
        exchange_session=session, totals=right, why="read again", key="r", actor=nurse, at=later
    )  # fmt: skip
    session.refresh_from_db()
    return finishing.close(
        exchange_session=session, version=session.version, actor=nurse, at=NOW, key="c", reason="left in a hurry"
    )


def test_paper_table_facts_and_page_of_an_automated_session_say_the_same_totals(
    machine, nurse_client, frozen_day
) -> None:
    """In 200 and 774, out 960 once put right: balance by hand +14."""
    there = f"/people/SM-042/day/{machine.pk}"
    paper = words_in(nurse_client.get(f"{there}/record.pdf").content)
    assert "Method automated" in paper
    assert "3 units, automated, set to end at Hb 95 g/L." in paper
    sums = "Saline in 200 mL, red cells in 774 mL of 3 units, blood out 960 mL; in less out 14 mL."
    assert sums in paper
    assert "Automated, totals of the machine: saline 200, red cells 774 mL of 3 units, blood out 960 mL" in paper
    assert "by hand" not in paper
    assert paper.count("06:05 to 08:11") == 3  # both entries and the sum of it, at the clock of the unit
    rows = [row for row in rows_of(nurse_client.get(f"{there}/record.csv")) if row["kind"] == "total"]
    counted = [(row["words"], row["in_ml"] or row["out_ml"], row["value"]) for row in rows if not row["undone"]]
    assert counted == [("saline in", "200", ""), ("red cells in", "774", "3"), ("blood out", "960", "")]
    assert [row["out_ml"] for row in rows if row["undone"] and row["out_ml"]] == ["980"]
    page = " ".join(re.sub(r"<[^>]+>", " ", nurse_client.get(f"{there}/after/").content.decode()).split())
    assert "red cells 774 mL of 3 units, blood out 960 mL" in page
    assert "in 974 mL, out 960 mL" in page
    stored = type(machine).objects.get(pk=machine.pk)
    figures = (stored.saline_in_ml, stored.red_cells_in_ml, stored.blood_out_ml, stored.units)
    assert figures == (200, 774, 960, 3)
    facts = SessionFacts.objects.get(exchange_session=machine)
    # Level at Hb 94, by mass: e^(−Hb given/Hb mass), Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74.
    left = math.exp(-3 * DEFAULTS["unit_hb_g"] / (0.094 * facts.blood_volume_ml))
    assert facts.hbs_ratio == pytest.approx(left, rel=1e-9)
