"""A proposed place so near another of the same person is accepted with its reason, asked for at its row."""

from datetime import timedelta

import pytest
from django.urls import reverse

from patients.models import Patient
from programme.booking.models import Booking, Proposal
from programme.booking.services import proposals
from programme.core.models import TrailEntry
from programme.planning.models import Suggestion
from programme.planning.services import PLAN_VERSION
from tests.conftest import client_of
from tests.factories import (
    NOW,
    TODAY,
    make_booking,
    make_chair,
    make_forecast,
    make_open_week,
    make_patient,
    make_suggestion,
    make_user,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
DAY = timedelta(1)
WHY = "the end target was out of reach in one session"


@pytest.fixture
def coordinator(site):
    make_open_week(site)
    return make_user(role="coordinator", site=site)


@pytest.fixture
def proposal(coordinator):
    """Quist is booked on Friday the 12th, too late, and on the 19th: a safe day is within 14 days of the second.
    Mbaru has no other place."""
    chair = make_chair()
    for ref in ("QUIST", "MBARU"):
        person = make_patient(ref, family_name=ref.title())
        make_forecast(person)
        best = TODAY + 7 * DAY
        options = {"earliest_date": best.isoformat()}
        make_suggestion(person, next_date=best, latest_safe_date=TODAY + 9 * DAY, options=options)
        if ref == "QUIST":
            make_booking(person, chair, on=TODAY + 11 * DAY)
            make_booking(person, chair, on=TODAY + 18 * DAY)
    row = proposals.ask(site=coordinator.site, first=TODAY, weeks=4, moves="nobody", actor=coordinator, at=NOW)
    proposals.make(key=row.pk, at=NOW)
    return Proposal.objects.get(pk=row.pk)


def test_the_reason_is_asked_for_at_the_row_and_kept_with_the_booking(coordinator, proposal):
    client, there = client_of(coordinator), reverse("booking:proposal", args=[proposal.pk])
    page = client.get(there)
    near = {one.patient_ref: one.near for one in page.context["page"].entries}
    assert near["MBARU"] == ""
    assert near["QUIST"].endswith("before their place on Fri 19 Jun 2026; the shortest interval is 14 days.")
    assert 'name="second_reason:QUIST"' in page.text
    assert 'name="second_reason:MBARU"' not in page.text
    sent = {"take": ["QUIST", "MBARU"], "version": proposal.version}
    refused = client.post(f"{there}accept/", {**sent, "receipt": page.context["receipt"], "second_reason:QUIST": " "})
    assert "with the reason for a second exchange so soon" in refused.text
    assert Booking.objects.count() == 2, "nobody is booked without it, nor is the other"
    again = {**sent, "receipt": refused.context["receipt"], "second_reason:QUIST": WHY}
    assert client.post(f"{there}accept/", again).status_code == 302
    assert Booking.objects.standing().count() == 3
    said = dict(TrailEntry.objects.filter(action="book").values_list("patient_key", "why"))
    assert {Patient.objects.get(pk=key).patient_ref: why for key, why in said.items()} == {
        "QUIST": f"A second exchange: {WHY}", "MBARU": "",
    }  # fmt: skip


def test_a_reason_that_is_too_long_is_refused_and_kept(coordinator, proposal):
    client, there = client_of(coordinator), reverse("booking:proposal", args=[proposal.pk])
    sent = {"take": ["QUIST"], "version": proposal.version, "receipt": client.get(there).context["receipt"]}
    said = client.post(f"{there}accept/", {**sent, "second_reason:QUIST": "because " * 60}).text
    assert "A reason has at most 400 letters" in said
    assert "because because" in said
    assert Booking.objects.count() == 2


def test_whose_figures_are_older_than_the_records_is_said_at_their_row(coordinator, proposal):
    person = Patient.objects.get(patient_ref="MBARU")
    Suggestion.objects.update(code_version=PLAN_VERSION)
    client, there = client_of(coordinator), reverse("booking:proposal", args=[proposal.pk])
    words = "Their figures are older than what is recorded now."
    assert words not in client.get(there).text
    Patient.objects.filter(pk=person.pk).update(data_version=person.data_version + 1)
    assert client.get(there).text.count(words) == 1
    Suggestion.objects.update(code_version="before")
    page = client.get(there).text
    assert words not in page, "of all it is said once"
    assert "The figures of everybody here are older than what is recorded now." in page
