"""Broken FHIR bodies: bits turned, bodies cut, names doubled, any depth and size. Each has a clear answer."""

from __future__ import annotations

import json
import logging
import random
import resource
from collections import Counter

import pytest
from django.test import Client

from programme.intake.models import RawMessage, Reading, ReadingState, ReadResult
from programme.intake.services.senders import make_token
from programme.intake.tasks import read_one
from tests import factories
from tests.factories import NOW
from tests.programme.intake.numeric.test_fhir import F005, F202, F204, bundle, observation, report
from tests.programme.intake.test_broken import cut, noise_between, turn_bits

pytestmark = pytest.mark.usefixtures("frozen_day")

INSIDE = [*observation()["contained"], observation(contained=None)]
WHOLE = (
    ("/fhir/Observation", observation()),
    ("/fhir/Observation", F005),
    ("/fhir/Observation", F202),
    ("/fhir/Observation", F204),
    ("/fhir/DiagnosticReport", report("#o1", contained=INSIDE)),
    ("/fhir/", bundle(observation(id="o2"), observation(id="o3", status="amended"))),
    ("/fhir/", bundle(observation(id="o4"), observation(id="o5", status="nonsense"), kind="batch")),
)


def place(rng, body, sign):
    """Return a place in the body just after such a sign."""
    return rng.choice([at + 1 for at, one in enumerate(body) if one in sign] or [0])


def doubled_name(rng, body):
    at = place(rng, body, b"{")
    name = rng.choice([b'"status"', b'"resourceType"', b'"value"', b'"id"'])
    return body[:at] + name + b': "final", ' + name + b": 1, " + body[at:]


def nested(rng, body):
    depth, at = rng.randint(30, 20_000), place(rng, body, b":")
    opened, shut = rng.choice([(b"[", b"]"), (b'{"a":', b"}")])
    return body[:at] + opened * depth + (b"1" + shut * depth if rng.random() < 0.7 else b"") + b"," + body[at:]


def wrong_encoding(rng, body):
    text = body.decode().replace("R001", "Þórð∂")
    return text.encode(rng.choice(["utf-16", "utf-32", "utf-8-sig", "cp1252"]), errors="replace")


def huge_field(rng, body):
    sign = rng.choice([b"9", b'"', b"\\", b"{", b"[", b"A", b"\\u0000", b"\\ud800", b" "])
    at = place(rng, body, rng.choice([b'"', b":", b"9"]))
    return body[:at] + sign * rng.randint(1_000, 60_000) + body[at:]


def other_kind(rng, body):
    """Put something of another kind where a value stands: null, a number of no size, a list, an object."""
    at = place(rng, body, b":")
    end = min((place for place in (body.find(b",", at), body.find(b"}", at)) if place >= 0), default=len(body))
    return body[:at] + rng.choice([b"null", b"1e999999", b"-0", b"NaN", b"[]", b"{}", b"true", b'""']) + body[end:]


BREAKS = (turn_bits, cut, noise_between, doubled_name, nested, wrong_encoding, huge_field, other_kind)


def answer_all(site, token: str, count: int, seed: int) -> Counter[int]:
    """Post so many broken bodies and return how often each status was answered."""
    rng, client, statuses = random.Random(seed), Client(enforce_csrf_checks=True), Counter()
    for _ in range(count):
        address, whole = rng.choice(WHOLE)
        sent = rng.choice(BREAKS)(rng, json.dumps(whole).encode())
        answer = client.post(
            address, sent, content_type="application/fhir+json", headers={"Authorization": f"Bearer {token}"}
        )
        said = json.loads(answer.content)
        assert answer["Content-Type"] == "application/fhir+json" and len(answer.content) < 4_000
        assert said["resourceType"] == ("Bundle" if answer.status_code == 200 else "OperationOutcome")
        assert answer.status_code == 200 or said["issue"][0]["diagnostics"]
        statuses[answer.status_code] += 1
    return statuses


def check_nothing_is_lost(statuses: Counter[int]) -> None:
    """What was taken is kept and read, what was refused is not kept; some of both, and nothing else, came of it."""
    assert set(statuses) == {200, 201, 400}
    assert 0 < RawMessage.objects.count() <= statuses[200] + statuses[201]  # the same bytes may come twice
    assert set(Reading.objects.values_list("state", flat=True)) == {ReadingState.READ}
    assert ReadResult.objects.exists()


@pytest.fixture
def token(site, monkeypatch):
    monkeypatch.setattr(read_one, "delay", read_one)  # also where there is a Redis, and no worker
    factories.make_patient("R001", site=site)
    return make_token(site=site, name="Tidewater Laboratory", at=NOW)


def test_three_hundred_broken_bodies(site, token):
    check_nothing_is_lost(answer_all(site, token, 300, seed=16))


@pytest.mark.soak
@pytest.mark.django_db(transaction=True)
def test_five_thousand_broken_bodies_in_flat_memory(site, token, caplog):
    caplog.set_level(logging.CRITICAL, logger="django.request")  # the log of a test keeps every refused request
    statuses = answer_all(site, token, 1_000, seed=17)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    statuses += answer_all(site, token, 4_000, seed=18)
    check_nothing_is_lost(statuses)
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    assert grown_mb < 30
