"""Two who plan or sign one session at the same moment, each with a connection of their own, on both databases."""

from __future__ import annotations

import pytest

from patients.models import Patient
from programme.core.models import Site, TrailEntry, User
from sessions.day.models import Prescription
from sessions.day.services.prescribing import authorise, plan_session
from sessions.models import ExchangeSession
from tests import factories
from tests.at_once import at_once
from tests.factories import NOW, TODAY
from tests.sessions.day.services.test_prescribing import draft_for

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def patient(site: Site) -> Patient:
    someone = factories.make_patient("SM-042", site=site)
    factories.make_needs(someone)
    return someone


def test_of_two_who_sign_one_plan_at_once_one_signs_and_the_other_is_told(patient, nurse, consultant):
    colleague = factories.make_user(role="consultant", site=consultant.site, username="colleague")
    plan = plan_session(patient=patient, on=TODAY, draft=draft_for(patient), actor=nurse, at=NOW)
    version = ExchangeSession.objects.get(pk=plan.exchange_session_id).version

    def sign(prescriber: User) -> int:
        row = ExchangeSession.objects.get(pk=plan.exchange_session_id)
        authorise(exchange_session=row, version=version, number=1, reasons={}, actor=prescriber, at=NOW)
        return prescriber.pk

    signed, told = at_once(sign, [(consultant,), (colleague,)])
    assert [len(signed), len(told)] == [1, 1]
    assert [row.authorised_by_id for row in Prescription.objects.all()] == signed
    assert [entry.actor_id for entry in TrailEntry.objects.filter(action="sign plan 1")] == signed
    assert ExchangeSession.objects.get().state == "authorised"


def test_of_two_who_plan_one_day_at_once_one_plans_and_the_other_is_told(patient, nurse, consultant):
    draft = draft_for(patient)

    def plan(actor: User) -> int:
        return plan_session(patient=patient, on=TODAY, draft=draft, actor=actor, at=NOW).pk

    planned, told = at_once(plan, [(nurse,), (consultant,)])
    assert [len(planned), len(told)] == [1, 1]
    assert "already has an exchange session on this day" in " ".join(told[0])
    assert [row.pk for row in Prescription.objects.all()] == planned
    assert ExchangeSession.objects.count() == 1
