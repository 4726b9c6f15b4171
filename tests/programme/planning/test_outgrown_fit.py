"""A fit learnt from a few records does not stay in force once a unit's years of sessions are in."""

from __future__ import annotations

import io
import json
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import call_command

from patients.models import Patient
from programme.planning import replan as replanning
from programme.planning import services
from programme.planning.models import Suggestion
from sessions.history.bring_in import bring_in
from sessions.models import ModelFit
from sessions.numeric.mechanisms.made_up import simulate
from tests import builders
from tests.factories import NOW, TODAY, make_patient

pytestmark = pytest.mark.django_db


@pytest.fixture
def first_day(site: Any, frozen_day: object) -> Any:
    """A unit that has entered one person by hand, and nothing of them yet."""
    services.renew([make_patient("R000", site=site).pk], NOW)
    return site


def history(n_people: int) -> bytes:
    """The records of the first people of nine."""
    made = simulate("daybyday", n_people=9, years=1.0, seed=20260603)
    lines = builders.history_file(made, last_on=TODAY - timedelta(days=3)).splitlines(keepends=True)
    return b"".join(line for line in lines if line[:5] < f"P{n_people:04d}".encode() or line.startswith(b"patient_ref"))


def load(site: Any, data: bytes) -> list[int]:
    bring_in(site=site, data=data, actor=None, at=NOW)
    return list(Patient.objects.exclude(patient_ref="R000").values_list("pk", flat=True))


def printed() -> dict[str, Any]:
    said = io.StringIO()
    call_command("suggest_plan", "--as-of", TODAY.isoformat(), "--format", "json", stdout=said)
    return {row["patient_ref"]: row for row in json.loads(said.getvalue())}


def shown() -> dict[str, Any]:
    return {row.body["patient_ref"]: row.body for row in Suggestion.objects.all()}


def test_the_file_of_a_unit_is_planned_with_what_it_teaches_although_somebody_was_entered_before(first_day):
    assert ModelFit.objects.get().n_gaps == 0
    services.renew(load(first_day, history(8)), NOW)
    newest = ModelFit.objects.latest("pk")
    assert newest.n_gaps > 40
    assert set(Suggestion.objects.values_list("model_fit_id", flat=True)) == {newest.pk}  # everybody, R000 too
    assert shown() == printed()


def test_a_few_more_sessions_leave_the_fit_in_force(first_day):
    services.renew(load(first_day, history(8)), NOW)
    before = ModelFit.objects.count()
    services.renew(load(first_day, history(9)), NOW)  # one person more
    assert ModelFit.objects.count() == before


def test_records_that_grew_one_by_one_are_learnt_from_by_night(first_day):
    for key in load(first_day, history(8)):
        services.renew([key], NOW)
    assert ModelFit.objects.count() == 1  # a change by hand waits for no fit
    replanning.replan(site=first_day, as_of=TODAY, clock=lambda: NOW)
    assert ModelFit.objects.count() == 2
    assert shown() == printed()


def test_a_fit_of_which_nobody_knows_what_it_was_learnt_from_is_kept_for_its_week(first_day):
    ModelFit.objects.update(n_sessions=None)
    services.renew(load(first_day, history(8)), NOW)
    assert ModelFit.objects.count() == 1
