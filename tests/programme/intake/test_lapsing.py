"""A result that arrives under a signed plan: a correction makes it lapse and stands first in the inbox."""

from __future__ import annotations

from dataclasses import replace

import pytest

from patients.models import LabResult
from programme.intake.models import InboxItem
from sessions.day.models import Prescription
from sessions.day.services.prescribing import plan_session
from sessions.models import ExchangeSession
from tests import factories
from tests.factories import NOW, TODAY
from tests.programme.intake.test_reading import arrive, row, waiting
from tests.sessions.day.services.test_prescribing import draft_for, sign

pytestmark = pytest.mark.usefixtures("frozen_day")
HB = {"code": "718-7", "value": "94", "unit": "g/L", "result_id": "HB1"}


def signed_on_hb(patient, nurse, consultant):
    """A plan of today signed on an Hb that arrived."""
    factories.make_needs(patient)
    arrive(patient.site, row(**HB))
    stored = LabResult.objects.get(source_key="HB1")
    draft = draft_for(patient)
    hb = {"result": stored.pk, "value": 94.0, "taken_at": stored.taken_at.isoformat()}
    inputs = {**draft.inputs, "hb": hb, "hbs": {**draft.inputs["hbs"], "taken_at": NOW.isoformat()}}
    plan = plan_session(patient=patient, on=TODAY, draft=replace(draft, inputs=inputs), actor=nurse, at=NOW)
    sign(plan, consultant)
    return plan


@pytest.fixture
def signed(site, nurse, consultant):
    return signed_on_hb(factories.make_patient("R001", site=site), nurse, consultant)


def state(plan):
    return ExchangeSession.objects.get(pk=plan.exchange_session_id).state


def test_a_correction_that_arrives_makes_the_signed_plan_lapse(site, signed):
    arrive(site, row(**HB | {"value": "84", "status": "corrected"}))
    assert state(signed) == "planned"
    plan = Prescription.objects.get(pk=signed.pk)
    assert not plan.is_in_force and "was corrected to 84 g/L" in plan.lapsed_why
    assert waiting(site) == ["plan_lapsed"]
    item = InboxItem.objects.get()
    assert item.get_severity_display() == "Stop" and "Plan 1 was signed and has lapsed" in item.sentence


def test_a_withdrawal_does_so_too(site, signed):
    arrive(site, row(**HB | {"value": "", "status": "withdrawn"}))
    assert state(signed) == "planned"
    assert waiting(site) == ["plan_lapsed", "withdrawn"]


def test_the_same_result_again_and_an_older_version_leave_the_signature(site, signed):
    arrive(site, row(**HB))
    arrive(site, row(**HB | {"value": "90", "status": "preliminary"}))
    assert state(signed) == "authorised" and waiting(site) == []


def test_a_newer_hb_makes_it_lapse_once_it_is_final(site, signed):
    newer = HB | {"result_id": "HB2", "value": "88", "taken": "2026-06-01T10:05:00+01:00"}
    arrive(site, row(**newer | {"status": "preliminary"}))
    assert state(signed) == "authorised"
    arrive(site, row(**newer))
    assert state(signed) == "planned"
    assert "A newer Hb came, 88 g/L" in Prescription.objects.get(pk=signed.pk).lapsed_why
