"""How many statements each action at the bedside takes: the same however long the session has run."""

import json
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from patients.models import CrossmatchSample
from programme.core.receipts import new_key
from sessions.day.models import Entry
from sessions.day.services.giving import end_unit
from tests.factories import NOW, TODAY, make_entry, make_needs, make_patient, make_running, make_unit

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
NUMBER = "G123498654321"  # JPAC Red Book, annex 2: check character H
STEPS = [
    {"number": 1, "fluid": "saline", "units": [], "in_ml": 90000, "out_ml": 90000, "draws": []},
    {"number": 2, "fluid": "red_cells", "units": [1], "in_ml": 258, "out_ml": 258, "draws": []},
]
# Statements of a whole request, sign-in and savepoints included.
ENTRIES = {
    "draw": ("moved", {"step": "1", "out_ml": "100"}, 15),
    "infusion": ("moved", {"step": "1", "in_ml": "100"}, 15),
    "observation": ("observation", {"moment": "other", "pulse": "76"}, 14),
    "pause": ("pause", {"words": "rest"}, 14),
    "undo": ("undo", {"target": "3"}, 15),
}
PRESSES = {
    "unit_check": ("at_chair", {"asked": "on", "wristband": "R1", "number": f"={NUMBER}00"}, 29),
    "unit_start": ("checked", {}, 34),
    "unit_end": ("running", {}, 22),
    "reaction_stop": ("running", {}, 15),
}


@pytest.fixture
def running(site, consultant):
    patient = make_patient("R1", site=site)
    make_needs(patient)
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    return make_running(patient, by=consultant, steps=STEPS, units=0)


def entries_before(running, by, n):
    for _ in range(n):
        make_entry(running, "moved", {"step": 1, "in_ml": 100, "out_ml": 100, "fluid": "saline"}, by=by)


def at(running, name, *more):
    return reverse(f"bedside:{name}", args=["R1", running.pk, *more])


@pytest.mark.parametrize("before", [1, 40])
@pytest.mark.parametrize("name", ENTRIES)
def test_an_entry_takes_a_fixed_number_of_statements(nurse, nurse_client, consultant, running, name, before):
    kind, fields, allowed = ENTRIES[name]
    entries_before(running, consultant, before)
    said = {"key": "k1", "kind": kind, "by": nurse.pk, "seen": 0, "waited_s": 0, "fields": fields}
    with CaptureQueriesContext(connection) as seen:
        answer = nurse_client.post(at(running, "enter"), json.dumps(said), content_type="application/json")
    assert answer.status_code == 200, answer.content
    assert len(seen) == allowed


@pytest.mark.parametrize("before", [1, 40])
@pytest.mark.parametrize("name", PRESSES)
def test_a_touch_at_a_unit_takes_a_fixed_number_of_statements(nurse_client, site, consultant, running, name, before):
    state, fields, allowed = PRESSES[name]
    entries_before(running, consultant, before)
    unit = make_unit(
        running, donation_number=NUMBER, product_code="E0336V00", abo="O", rhd="+", antigens_negative="C, E, K",
        hbs_negative=True, expires_on=TODAY + timedelta(days=9), volume_ml=258, state=state,
        out_of_storage_at=NOW - timedelta(minutes=5), started_at=NOW if state == "running" else None,
        first_checker=None if state == "at_chair" else consultant,
    )  # fmt: skip
    sent = {"receipt": new_key(), "version": unit.version, "to": "run", **fields}
    place = [] if name == "reaction_stop" else [1]
    with CaptureQueriesContext(connection) as seen:
        answer = nurse_client.post(at(running, name, *place), sent)
    assert answer.status_code == 302, answer.content
    assert len(seen) == allowed


def test_what_the_database_refuses_of_a_unit_is_said_in_words_and_nothing_is_written(nurse, consultant, running):
    unit = make_unit(running, volume_ml=258, state="running", started_at=NOW, first_checker=consultant)
    with pytest.raises(ValidationError) as refused:
        end_unit(unit=unit, version=unit.version, key="k1", actor=nurse, at=NOW - timedelta(minutes=1))
    assert "A unit cannot end before it starts." in " ".join(refused.value.messages)
    unit.refresh_from_db()
    assert (unit.state, unit.ended_at) == ("running", None)
    assert not Entry.objects.filter(kind="unit_ended").exists()
