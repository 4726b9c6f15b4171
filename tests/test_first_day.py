"""The first day of a new unit: nothing is known yet, and every page and command says so instead of failing."""

import io
import json

import pytest
from django.core.management import call_command

from patients.models import Patient
from programme.core.access import matrix
from programme.core.models import Role
from tests import factories
from tests.addresses import every_address

pytestmark = pytest.mark.django_db
NOT_THERE = {"fhir"}  # answered as FHIR answers an address that is not there; a provider's only where one is named
WITHOUT_A_PERSON = [address for address in every_address() if not address.names]


@pytest.mark.parametrize("address", WITHOUT_A_PERSON, ids=lambda address: address.route or "/")
def test_every_page_opens_when_nobody_is_there(address, site, client, frozen_day):
    action = getattr(address.view, "needs_action", None)
    roles = ["consultant"] if action is None else [role for role in Role.values if role in matrix()[action]]
    client.force_login(factories.make_user(role=roles[-1], site=site))
    expected = {200, 302, 405} | ({401} if action is None else set())  # what asks for a token, whoever is signed in
    if address.route in NOT_THERE or "/provider/" in address.route:
        expected = {404}
    assert client.get(address.filled({})).status_code in expected


@pytest.mark.parametrize("page", ["", "plan/", "records/", "person/", "goals/", "session/", "results/", "follow-up/"])
def test_every_page_of_somebody_without_a_session_opens(page, site, consultant_client, frozen_day):
    patient = factories.make_patient(site=site)
    assert consultant_client.get(f"/people/{patient.patient_ref}/{page}").status_code == 200


def test_the_replan_of_a_unit_without_sessions_suggests_nothing_and_says_why(site, frozen_day):
    patient = factories.make_patient(site=site)
    call_command("replan", stdout=io.StringIO(), stderr=io.StringIO())
    suggestion = Patient.objects.get(pk=patient.pk).suggestion
    assert suggestion.status == "unavailable"
    assert suggestion.reason
    assert suggestion.next_date is None


def test_the_planner_of_an_empty_unit_prints_an_empty_list(site):
    said = io.StringIO()
    call_command("suggest_plan", "--as-of", "2026-06-01", "--format", "json", stdout=said)
    assert json.loads(said.getvalue()) == []
