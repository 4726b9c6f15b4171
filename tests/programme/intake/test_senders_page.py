"""The page of senders: who sees it, who changes it, and that a token is shown once."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.core.management import call_command

from programme.core.models import TrailEntry
from programme.intake.models import Sender
from programme.intake.services.keeping import keep_raw
from programme.intake.services.refusals import note_refusal
from programme.intake.services.senders import digest_of_token
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.usefixtures("frozen_day")
AS_OFFERED = {"days": 365, "kinds": ["Observation", "DiagnosticReport", "Bundle"]}


def test_a_consultant_adds_a_sender_and_its_token_is_shown_once(site, consultant, consultant_client):
    given = {"receipt": "one", "name": " LAB at HOSP ", "trusts_references": "on"} | AS_OFFERED
    shown = consultant_client.post("/inbox/senders/add/", given, follow=True).content.decode()
    (token,) = re.findall(r"shown only now: ([\w-]{43})", shown)
    row = Sender.objects.get(site=site)
    assert (row.name, row.trusts_references, row.token_digest) == ("LAB at HOSP", True, digest_of_token(token))
    again = consultant_client.get("/inbox/senders/").content.decode()
    assert token not in again and "LAB at HOSP" in again
    consultant_client.post("/inbox/senders/add/", given)  # a double touch gives no second token
    assert Sender.objects.get().token_digest == row.token_digest
    assert TrailEntry.objects.get(action="give sender a token").actor == consultant


def test_a_revoked_sender_stays_listed_and_an_old_page_revokes_nothing(site, consultant_client):
    row = factories.make_sender(site)
    address = f"/inbox/senders/{row.pk}/revoke/"
    consultant_client.post(address, {"receipt": "one", "version": row.version + 1})
    row.refresh_from_db()
    assert row.is_active
    shown = consultant_client.post(address, {"receipt": "two", "version": row.version}, follow=True).content.decode()
    row.refresh_from_db()
    assert not row.is_active and "revoked: nothing is taken" in shown


def test_a_form_without_a_name_is_kept_and_says_what_is_missing(site, consultant_client):
    answer = consultant_client.post("/inbox/senders/add/", {"receipt": "one", "name": ""})
    assert answer.status_code == 422 and "Name: This field is required." in answer.content.decode()
    assert not Sender.objects.exists()


def test_others_see_the_list_and_change_nothing(site, other_site, nurse_client):
    factories.make_sender(site)
    factories.make_sender(other_site, "Laboratory of another unit")
    shown = nurse_client.get("/inbox/senders/").content.decode()
    assert "Tidewater Laboratory" in shown and "Laboratory of another unit" not in shown
    assert "Add a sender" not in shown and "Revoke" not in shown.split("</thead>")[1]
    assert nurse_client.post("/inbox/senders/add/", {"receipt": "one", "name": "x"}).status_code == 403


def test_queries_do_not_grow_with_senders(site, nurse_client, django_assert_num_queries):
    factories.make_sender(site, "one")
    nurse_client.get("/inbox/senders/")
    with django_assert_num_queries(8) as counted:
        nurse_client.get("/inbox/senders/")
    for name in ("two", "three"):
        factories.make_sender(site, name)
    with django_assert_num_queries(len(counted)):
        nurse_client.get("/inbox/senders/")


def test_who_would_be_refused_by_the_first_listing_is_named_before_and_after(
    site, other_site, consultant_client, capsys
):
    for unit, name in ((site, "LAB at HOSP"), (other_site, "LAB elsewhere")):
        keep_raw(site=unit, sender=name, kind="hl7", message_id="1", body=b"MSH", at=NOW)
    keep_raw(site=site, sender="file", kind="csv", message_id="2", body=b"a", at=NOW)  # files need no listing
    before = consultant_client.get("/inbox/senders/").content.decode()
    assert "refused as soon as anybody is listed" in before and "LAB at HOSP" in before
    assert "LAB elsewhere" not in before and "<b>file</b>" not in before
    call_command("make_token", "--sender", "FHIR of the hospital", "--site", site.code)
    assert "refused from now on by HL7: 'LAB at HOSP'" in capsys.readouterr().err
    assert "Refused now, as not listed:" in consultant_client.get("/inbox/senders/").content.decode()
    consultant_client.post("/inbox/senders/add/", {"receipt": "one", "name": "LAB at HOSP"} | AS_OFFERED)
    assert "Refused now" not in consultant_client.get("/inbox/senders/").content.decode()


def test_inbox_and_senders_say_that_something_was_refused(site, other_site, nurse_client):
    def shown(address):
        return nurse_client.get(address).content.decode()

    note_refusal(site=other_site, sender="LAB", kind="hl7", words="of another unit", at=NOW)
    note_refusal(site=site, sender="OLD", kind="hl7", words="long ago", at=NOW - timedelta(days=31))
    note_refusal(site=site, sender="LAB", kind="fhir", words="some days ago", at=NOW - timedelta(days=2))
    assert "refused" not in shown("/inbox/")
    page = shown("/inbox/senders/")
    assert "some days ago" in page and "by FHIR" in page
    assert "long ago" not in page and "of another unit" not in page
    note_refusal(site=site, sender="LAB", kind="fhir", words="just now", at=NOW)
    assert "sent in the last day and refused" in shown("/inbox/")
