"""Reading as in production: a page keeps a message, and a real worker over Redis reads it."""

from __future__ import annotations

import json

import pytest
from django.test import Client

from patients.models import LabResult
from programme.intake.services.keeping import keep_raw
from programme.intake.services.senders import make_token
from programme.intake.tasks import read_waiting
from tests import factories
from tests.factories import NOW
from tests.programme.intake.numeric.test_fhir import observation
from tests.programme.intake.numeric.test_hl7 import message
from tests.test_worker import wait_for

pytestmark = pytest.mark.django_db(transaction=True)


def test_what_a_page_and_a_listener_kept_is_read_by_a_worker(site, worker):
    factories.make_patient("R001", site=site)
    token = make_token(site=site, name="Tidewater Laboratory", at=NOW)
    answer = Client().post(
        "/fhir/Observation", json.dumps(observation()), content_type="application/fhir+json",
        headers={"Authorization": f"Bearer {token}"},
    )  # fmt: skip
    assert answer.status_code == 201
    wait_for(lambda: LabResult.objects.filter(source="Tidewater Laboratory").first())
    keep_raw(site=site, sender="LAB at HOSP", kind="hl7", message_id="M1", body=message(), at=NOW)
    read_waiting.delay()
    assert wait_for(lambda: LabResult.objects.filter(source="LAB at HOSP").first()).value == 31.5
