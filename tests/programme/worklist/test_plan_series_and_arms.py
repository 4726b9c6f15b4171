"""A series of sessions and sessions through one arm, on the plan page and in its print."""

from __future__ import annotations

import re
import subprocess
from datetime import timedelta
from typing import Any

import pytest

from patients.models import Patient
from programme.planning.models import Suggestion
from programme.planning.services import renew
from programme.worklist.queries.plan import plan_page
from sessions.history.bring_in import bring_in
from sessions.numeric.mechanisms.made_up import simulate
from tests import builders
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.either_database


@pytest.fixture(scope="module")
def records() -> bytes:
    made = simulate("daybyday", n_people=8, years=1.0, seed=20260602)
    return builders.history_file(made, last_on=TODAY - timedelta(days=3))


@pytest.fixture
def people(records: bytes, frozen_day: object, site: Any) -> list[Patient]:
    bring_in(site=site, data=records, actor=None, at=NOW)
    found = list(Patient.objects.order_by("patient_ref"))
    renew([patient.pk for patient in found], NOW)
    return found


def with_series(people: list[Patient]) -> Suggestion:
    """The first suggestion, its series written in: whether one is needed depends on the made-up people."""
    row = Suggestion.objects.filter(status="ok").order_by("patient_id")[0]
    day = {
        "date": TODAY.isoformat(), "units": 6, "saline_ml": 850, "red_cells_ml": 1548, "blood_out_ml": 2410,
        "hb_before_g_l": 100, "hb_after_g_l": 113, "rise_g_l": 18, "hbs_before_pct": 31.9, "hbs_after_pct": 14.8,
    }  # fmt: skip
    later = day | {"date": (TODAY + timedelta(days=1)).isoformat(), "units": 2, "hbs_before_pct": 15.5,
                   "hbs_after_pct": 11.9}  # fmt: skip
    row.options = row.options | {"series": [day, later]}
    row.save()
    return row


def test_a_series_is_shown_day_by_day(nurse_client, people):
    ref = with_series(people).patient.patient_ref
    text = nurse_client.get(f"/people/{ref}/plan/").content.decode()
    assert "A series of 2 sessions" in text
    assert "Tue 2 Jun" in text
    assert "<i>11.9</i>" in text


def test_the_foot_of_the_steps_is_the_end_that_the_first_line_names(nurse_client, people):
    """What is drawn short or given over leaves Hb another as it ends than once settled: the page names one of them."""
    apart = 0
    for patient in people:
        patient.vascular_access = "one arm, port on the other side"
        patient.save(update_fields=["vascular_access"])
    renew([patient.pk for patient in people], NOW)
    for patient in people:
        page = plan_page(patient, on=TODAY, at=NOW)
        if page.sheet is None:
            continue
        text = re.sub(r"<[^>]*>|\s+", " ", nurse_client.get(f"/people/{patient.patient_ref}/plan/").content.decode())
        hb, hbs = f"{page.sheet.outcome.hb_settled_g_l:.0f}", f"{page.sheet.outcome.hbs_post_pct:.1f}"
        assert re.search(rf"Hb +\d+ +to +{hb} +g/L", text)
        foot = text.split("Whole session, settled")[1].split("Balance is all fluids")[0].split("Through one arm")[0]
        assert foot.split()[-2:] == [hb, hbs]
        apart += hb != f"{page.sheet.last.hb_g_l.middle:.0f}"
    assert apart > 0


def test_the_print_holds_the_series(nurse_client, people, tmp_path):
    ref = with_series(people).patient.patient_ref
    paper = tmp_path / "plan.pdf"
    paper.write_bytes(nurse_client.get(f"/people/{ref}/plan.pdf").content)
    text = subprocess.run(["pdftotext", "-layout", paper, "-"], check=True, capture_output=True, text=True).stdout
    assert "A series of 2 sessions" in text
    assert "11.9" in text


def test_no_series_where_one_session_does_it(nurse_client, people):
    row = Suggestion.objects.filter(status="ok").order_by("patient_id")[0]
    row.options = row.options | {"series": []}
    row.save()
    assert "A series of" not in nurse_client.get(f"/people/{row.patient.patient_ref}/plan/").content.decode()


def test_the_plan_can_be_seen_through_one_arm_and_nothing_is_written(nurse_client, people):
    row = Suggestion.objects.filter(status="ok").order_by("patient_id")[0]
    before = (row.body, row.options)
    address = f"/people/{row.patient.patient_ref}/plan/"
    text = nurse_client.get(f"{address}?method=one_arm").content.decode()
    assert "Planned through one arm" in text
    assert "Plan it in two arms" in text
    row.refresh_from_db()
    assert (row.body, row.options) == before
    page = plan_page(row.patient, on=TODAY, at=NOW, method="one_arm")
    assert page.in_one_arm
    assert all(step.in_ml == 0.0 or step.out_ml == 0.0 for step in page.sheet.steps)
    stored = plan_page(row.patient, on=TODAY, at=NOW)
    assert not stored.in_one_arm
    assert len(stored.sheet.steps) < len(page.sheet.steps)
    assert nurse_client.get(f"{address}?method=nonsense").content.decode().count("What if") == 0


def test_who_has_one_arm_is_planned_through_it(people):
    patient = people[0]
    patient.vascular_access = "one arm, port on the other side"
    patient.save(update_fields=["vascular_access"])
    renew([patient.pk], NOW)
    row = Suggestion.objects.get(patient=patient)
    assert row.options["working"]["method"] == "one_arm"
    steps = row.body["session"]["steps"]
    assert steps
    assert all(step["in_ml"] == 0 or step["out_ml"] == 0 for step in steps)
    assert sum(step["out_ml"] for step in steps) == row.body["session"]["blood_out_ml"]
    draw = next(limit for limit in row.options["limits"] if limit["name"] == "draw")
    assert 0 < draw["reached"] <= draw["allowed"]


def test_the_sheet_the_row_of_units_and_the_printed_suggestion_say_the_same_session(people):
    """Law: one session has one end. The sheet follows the printed steps anew, exactly, from the stored start."""
    compared = 0
    for patient in people:
        page, printed = plan_page(patient, on=TODAY, at=NOW), patient.suggestion.body["session"]
        if page.sheet is None:
            continue
        (row,) = (row for row in page.marginal if row.chosen)
        assert page.sheet.steps[-1].moment.hbs_pct.middle == pytest.approx(printed["predicted_hbs_pct"], abs=0.0505)
        assert page.sheet.outcome.hb_settled_g_l == pytest.approx(printed["predicted_hb_g_l"], abs=0.0505)
        assert (row.hbs_pct, row.out_ml) == (printed["predicted_hbs_pct"], printed["blood_out_ml"])
        compared += 1
    assert compared >= 4
