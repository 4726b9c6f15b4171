"""Posting FHIR with a token: what is answered, and that what is taken is kept and read."""

from __future__ import annotations

import json

import pytest
from django.test import Client

from patients.models import LabResult
from programme.intake import tasks
from programme.intake.models import RawMessage, Refusal, Sender
from programme.intake.services.senders import make_token, revoke_sender
from tests import factories
from tests.factories import NOW
from tests.programme.intake.numeric.test_fhir import F005, bundle, observation, report
from tests.programme.intake.test_reading import in_force, waiting

pytestmark = pytest.mark.usefixtures("frozen_day")


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


@pytest.fixture
def token(site):
    return make_token(site=site, name="Tidewater Laboratory", at=NOW)


@pytest.fixture
def post(token):
    def send(resource, address="/fhir/Observation", *, using=token, content_type="application/fhir+json"):
        body = resource if isinstance(resource, bytes) else json.dumps(resource).encode()
        headers = {"Authorization": f"Bearer {using}"} if using else {}
        client = Client(enforce_csrf_checks=True)
        return client.post(address, body, content_type=content_type, headers=headers)

    return send


def words_of(answer):
    said = json.loads(answer.content)
    assert said["resourceType"] == "OperationOutcome" and answer["Content-Type"] == "application/fhir+json"
    return said["issue"][0]["diagnostics"]


def test_an_observation_is_kept_answered_and_filed(site, ada, post):
    answer = post(observation())
    assert answer.status_code == 201 and "Kept as message" in words_of(answer)
    assert [value for _, value, _ in in_force(ada)] == [31.5]
    stored = LabResult.objects.get()
    assert (stored.source, stored.source_key) == ("Tidewater Laboratory", "o1")
    assert post(observation()).status_code == 201  # again: nothing new
    assert RawMessage.objects.count() == LabResult.objects.count() == 1


def test_a_corrected_version_takes_the_place_of_the_first(site, ada, post):
    post(observation())
    corrected = observation(status="corrected", valueQuantity={"value": 29, "unit": "%"})
    assert post(corrected).status_code == 201
    assert [(value, status) for _, value, status in in_force(ada)] == [(29.0, "corrected")]
    assert waiting(site) == []


def test_reports_and_bundles_have_their_own_addresses(site, ada, post):
    inside = [*observation()["contained"], observation(contained=None)]
    assert post(report("#o1", contained=inside), "/fhir/DiagnosticReport").status_code == 201
    two = bundle(observation(id="o2"), observation(id="o3", effectiveDateTime="2026-06-01T07:20:00+01:00"))
    answer = post(two, "/fhir/")
    assert answer.status_code == 200
    assert json.loads(answer.content) == {
        "resourceType": "Bundle",
        "type": "transaction-response",
        "entry": [{"response": {"status": "201 Created"}}] * 2,
    }
    assert len(in_force(ada)) == 3


def test_of_a_batch_each_entry_stands_by_itself_and_a_transaction_is_taken_whole_or_not(site, ada, post):
    """FHIR R4, http, 3.1.0.11.1: a batch is answered entry by entry, a transaction succeeds or fails as a whole."""
    good, bad = observation(id="o2"), observation(id="o3", status="unknown")
    assert post(bundle(bad, good), "/fhir/").status_code == 400
    assert in_force(ada) == []
    answer = json.loads(post(bundle(bad, good, kind="batch"), "/fhir/").content)
    assert answer["type"] == "batch-response"
    assert [entry["response"]["status"] for entry in answer["entry"]] == ["400 Bad Request", "201 Created"]
    (issue,) = answer["entry"][0]["response"]["outcome"]["issue"]
    assert "Bundle.entry[0].status is 'unknown'" in issue["diagnostics"]
    assert len(in_force(ada)) == 1
    assert post(bundle(bad, kind="batch"), "/fhir/").status_code == 400, "nothing of it could be read, nothing is kept"
    assert list(Refusal.objects.values_list("kind", "times")) == [("fhir", 3)], "and the unit can see it"


def test_the_published_example_waits_since_nobody_here_is_meant(site, post):
    assert post(F005).status_code == 201
    assert waiting(site) == ["unknown_person"]


@pytest.mark.parametrize(
    ("body", "address", "status", "said"),
    [
        (b"{", "/fhir/Observation", 400, "not JSON"),
        (b'{"a": 1, "a": 1}', "/fhir/Observation", 400, "stands twice"),
        (b"[" * 100_000, "/fhir/", 400, "nested more than"),
        (observation(status="unknown"), "/fhir/Observation", 400, "status"),
        (observation(), "/fhir/DiagnosticReport", 400, "allowed at this address is DiagnosticReport"),
        (b" " * 3_000_000, "/fhir/", 413, "too large"),
    ],
)
def test_what_is_refused_says_why_and_is_not_kept(site, post, body, address, status, said):
    answer = post(body, address)
    assert answer.status_code == status and said in words_of(answer)
    assert not RawMessage.objects.exists()


def test_only_post_only_fhir_and_only_with_a_token_that_holds(site, post, token):
    assert post(observation(), content_type="text/plain").status_code == 415
    assert Client().get("/fhir/Observation").status_code == 405
    for wrong in ("", "wrong", f"{token}x"):
        answer = post(observation(), using=wrong)
        assert answer.status_code == 401 and answer["WWW-Authenticate"] == "Bearer"
        assert "token is needed" in words_of(answer)
    row = Sender.objects.get()
    revoke_sender(row=row, version=row.version, actor=None, at=NOW)
    assert post(observation()).status_code == 401
    assert not RawMessage.objects.exists()


@pytest.mark.parametrize("method", ["get", "post", "put", "delete", "patch", "options"])
@pytest.mark.parametrize(
    "address", ["/fhir", "/fhir/Observation/", "/fhir/Observation/o1", "/fhir/Patient", "/fhir/metadata", "/fhir//"]
)
def test_other_addresses_under_the_base_answer_as_fhir_too(site, address, method):
    answer = getattr(Client(enforce_csrf_checks=True), method)(address)
    assert answer.status_code == 404 and answer["Cache-Control"] == "no-store"
    assert words_of(answer).endswith("allowed are /fhir/, /fhir/Observation, /fhir/DiagnosticReport.")


@pytest.mark.parametrize("method", ["get", "put", "delete", "patch", "options"])
@pytest.mark.parametrize("address", ["/fhir/", "/fhir/Observation", "/fhir/DiagnosticReport"])
def test_other_methods_answer_as_fhir_too(site, address, method):
    answer = getattr(Client(enforce_csrf_checks=True), method)(address)
    assert (answer.status_code, answer["Allow"]) == (405, "POST") and words_of(answer) == "Only POST is taken here."


def test_a_token_of_one_unit_reaches_nobody_of_another(site, other_site, ada, post):
    elsewhere = make_token(site=other_site, name="Tidewater Laboratory", at=NOW)
    assert post(observation(), using=elsewhere).status_code == 201
    assert in_force(ada) == [] and waiting(other_site) == ["unknown_person"]


def test_what_was_kept_is_answered_so_even_where_reading_breaks_off(site, ada, post, monkeypatch, caplog):
    def break_off(*_, **__):
        raise RuntimeError("the broker is away")

    with monkeypatch.context() as patched:
        patched.setattr(tasks.reading, "read_message", break_off)
        assert post(observation()).status_code == 201
    assert "is kept, and could not be read yet" in caplog.text
    assert tasks.read_waiting() == 1 and len(in_force(ada)) == 1
