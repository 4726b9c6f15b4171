"""The comparison of forms as a command: stored, printed, and a form accepted only with a reason."""

import io
import json
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command

from programme.core.models import TrailEntry
from programme.planning import replan
from sessions.facts import rebuild_facts
from sessions.forecasting import form_in_use
from sessions.models import BacktestRun
from sessions.numeric.drift.fit import CANDIDATES, FORM_BEFORE_CHOICE
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.either_database, pytest.mark.django_db]


def said(*arguments):
    out = io.StringIO()
    call_command("backtest", *arguments, stdout=out, stderr=io.StringIO())
    return out.getvalue()


@pytest.fixture
def unit(site, frozen_day):
    people = [factories.make_patient(f"R{number}", site=site) for number in range(4)]
    for number, patient in enumerate(people):
        last_on = TODAY - timedelta(days=5 + number)
        factories.make_course(patient, last_on=last_on, sessions=8, pace_pct_per_day=0.5 + 0.05 * number)
    rebuild_facts([patient.pk for patient in people], NOW)
    return site


def test_the_comparison_is_stored_and_printed_as_json(unit):
    printed = json.loads(said("--format", "json"))
    row = BacktestRun.objects.get(site=unit)
    assert row.result == printed
    assert (row.as_of, row.made_at.date(), row.form_chosen) == (TODAY, TODAY, "")
    assert set(printed["results"]) == {*CANDIDATES, "own_mean"}
    assert printed["n_people"] == 4
    assert printed["n_forecasts"] > 0
    assert printed["advised"] == FORM_BEFORE_CHOICE  # with so few forecasts the form stays
    assert "the form stays" in printed["reason"]


def test_the_table_has_a_row_for_each_form(unit):
    lines = said().splitlines()
    assert {line.split()[0] for line in lines[1:-2]} == {*CANDIDATES, "own_mean"}
    assert lines[-1].startswith(f"In use: {FORM_BEFORE_CHOICE}.")


def test_a_made_up_world_shows_the_oracle_and_stores_nothing(db):
    printed = json.loads(said("--made-up", "feedback", "--people", "16", "--format", "json"))
    assert "oracle" in printed["results"]
    assert printed["results"]["oracle"]["attended"]["crps"] < printed["results"]["own_mean"]["attended"]["crps"]
    assert not BacktestRun.objects.exists()


def test_a_person_accepts_a_form_with_a_reason_and_the_next_fit_uses_it(unit, consultant):
    said()
    said("--accept", "linear", "--reason", "steadier at long gaps", "--by", consultant.username)
    assert form_in_use(unit) == "linear"
    accepted = BacktestRun.objects.get().result["accepted"]
    assert (accepted["form"], accepted["reason"]) == ("linear", "steadier at long gaps")
    entry = TrailEntry.objects.get(action="accept form")
    assert (entry.actor, entry.why) == (consultant, "steadier at long gaps")
    assert (entry.before, entry.after) == ({"form": FORM_BEFORE_CHOICE}, {"form": "linear"})
    replan.replan(site=unit, as_of=TODAY, clock=lambda: NOW)
    assert unit.model_fits.get().form == "linear"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--accept", "linear", "--reason", "better"), "No comparison has been made yet"),
        (("--accept", "linear", "--reason", "better", "--by", "nobody"), "Nobody signs in"),
        (("--made-up", "feedback", "--people", "1"), "2 to 100000"),
        (("--site", "elsewhere"), "saltmarsh"),
    ],
)
def test_what_cannot_be_is_refused(site, arguments, words):
    with pytest.raises(CommandError, match=words):
        said(*arguments)


@pytest.mark.parametrize(("form", "reason", "words"), [("cubic", "better", "cubic"), ("linear", " ", "Say why")])
def test_a_form_that_is_not_known_or_without_a_reason_is_refused(site, form, reason, words):
    factories.make_backtest_run(site, form_chosen="")
    with pytest.raises(CommandError, match=words):
        said("--accept", form, "--reason", reason)
    assert form_in_use(site) == FORM_BEFORE_CHOICE
    assert not TrailEntry.objects.exists()
