"""The page of senders: who sees it, who changes it, and that a token is shown once."""

from __future__ import annotations

import re

import pytest

from programme.core.models import TrailEntry
from programme.intake.models import Sender
from programme.intake.services.senders import digest_of_token
from tests import factories

pytestmark = pytest.mark.usefixtures("frozen_day")


def test_a_consultant_adds_a_sender_and_its_token_is_shown_once(site, consultant, consultant_client):
    given = {"receipt": "one", "name": " LAB at HOSP ", "trusts_references": "on"}
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
    with django_assert_num_queries(6) as counted:
        nurse_client.get("/inbox/senders/")
    for name in ("two", "three"):
        factories.make_sender(site, name)
    with django_assert_num_queries(len(counted)):
        nurse_client.get("/inbox/senders/")
