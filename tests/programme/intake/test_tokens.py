"""Tokens of senders: how long, for what, last used, and what is said before they end."""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command

from programme.core.models import TrailEntry
from programme.intake.models import RawMessage, Sender
from programme.intake.queries.senders import Presented, listed_name, senders_of, token_with
from programme.intake.services.senders import digest_of_token, make_token, note_use
from tests.factories import NOW
from tests.programme.intake.numeric.test_fhir import bundle, observation
from tests.programme.intake.test_fhir_api import post, words_of  # noqa: F401 -- a fixture

pytestmark = pytest.mark.usefixtures("frozen_day")
LAB = "Tidewater Laboratory"


def one():
    return Sender.objects.get(name=LAB)


@pytest.fixture
def token(site):
    return make_token(site=site, name=LAB, at=NOW, days=40)


def used(at):
    row = one()
    note_use(token=Presented(row, row.kinds, row.token_until, is_old=False), at=at)


# How long


def test_a_token_opens_nothing_once_it_has_ended_and_its_sender_hears_why(post):  # noqa: F811
    """RFC 6750 (2012), 3.1: an expired token is answered with 401 and invalid_token."""
    assert post(observation()).status_code == 201
    with time_machine.travel(NOW + timedelta(days=40), tick=False):
        answer = post(observation(id="late"))
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"] == 'Bearer error="invalid_token"'
    assert "has ended" in words_of(answer)
    assert RawMessage.objects.count() == 1


def test_a_moment_before_its_end_it_still_opens(post):  # noqa: F811
    with time_machine.travel(NOW + timedelta(days=40, seconds=-1), tick=False):
        assert post(observation()).status_code == 201


@pytest.mark.parametrize("days", [0, -1, 731])
def test_no_token_is_for_ever_and_none_for_no_time(site, days):
    with pytest.raises(ValidationError, match="allowed is 1 to 730"):
        make_token(site=site, name=LAB, at=NOW, days=days)
    assert not Sender.objects.exists()


def test_where_nobody_says_for_how_long_it_is_a_year(site):
    make_token(site=site, name=LAB, at=NOW)
    assert one().token_until == NOW + timedelta(days=365)
    assert TrailEntry.objects.get(action="give sender a token").after["token_until"]


def test_the_end_of_a_token_stops_no_sender_by_hl7(site, token):
    """HL7 has no tokens: a sender is known by its name until it is revoked."""
    with time_machine.travel(NOW + timedelta(days=100), tick=False):
        assert listed_name(site, (LAB,)) == LAB


# For what


def test_a_token_for_one_kind_opens_no_other_address(site, post):  # noqa: F811
    """RFC 6750 (2012), 3.1: too little scope is answered with 403 and insufficient_scope."""
    narrow = make_token(site=site, name=LAB, at=NOW, kinds=["Observation"])
    answer = post(bundle(observation()), "/fhir/", using=narrow)
    assert answer.status_code == 403
    assert answer["WWW-Authenticate"] == 'Bearer error="insufficient_scope"'
    assert words_of(answer) == "This token is for Observation, not for Bundle."
    assert not RawMessage.objects.exists()
    assert post(observation(), using=narrow).status_code == 201


@pytest.mark.parametrize("kinds", [[], ["Patient"], ["Observation", "Patient"]])
def test_a_token_is_for_something_that_is_taken_here(site, kinds):
    with pytest.raises(ValidationError, match="at least one of Observation, DiagnosticReport, Bundle"):
        make_token(site=site, name=LAB, at=NOW, kinds=kinds)
    assert not Sender.objects.exists()


# Last used


def test_its_last_use_is_kept_and_a_new_token_has_none(site, post, consultant_client):  # noqa: F811
    assert "never used" in consultant_client.get("/inbox/senders/").content.decode()
    version = one().version
    post(observation())
    row = one()
    assert NOW <= row.token_used_at < NOW + timedelta(minutes=10)
    assert row.version == version  # an open page can still revoke
    assert "last used 1 Jun 2026" in consultant_client.get("/inbox/senders/").content.decode()
    post(observation(id="o2"), using="wrong")
    assert one().token_used_at == row.token_used_at
    make_token(site=site, name=LAB, at=NOW)
    assert one().token_used_at is None


def test_a_token_in_steady_use_is_noted_once_a_minute(token, django_assert_num_queries):
    used(NOW)
    presented = token_with(digest_of_token(token))
    with django_assert_num_queries(0):
        note_use(token=presented, at=NOW + timedelta(seconds=59))
    used(NOW + timedelta(seconds=60))
    assert one().token_used_at == NOW + timedelta(seconds=60)


# Said before it ends


@pytest.mark.parametrize(
    ("days", "said"),
    [(9, None), (11, "ends on 11 Jul 2026"), (41, "ended on 11 Jul 2026: nothing it posts by FHIR is taken")],
)
def test_the_page_says_that_a_token_in_use_will_end_and_that_it_has(token, site, consultant_client, days, said):
    used(NOW)
    with time_machine.travel(NOW + timedelta(days=days), tick=False):
        [line] = senders_of(site, NOW + timedelta(days=days))
        # a sign-in does not last so long: the page is rendered for somebody who signs in then
        consultant_client.force_login(site.users.get(role="consultant"))
        shown = " ".join(consultant_client.get("/inbox/senders/").content.decode().split())
    assert line.warns == (said is not None)
    assert said is None or said in shown.replace("<b>", "").replace("</b>", "")
    assert ("the old one then ends too" in shown) == (said is not None)


def test_nobody_is_warned_of_a_token_that_nobody_uses(token, site):
    [line] = senders_of(site, NOW + timedelta(days=39))
    assert not line.warns


def test_a_form_with_too_many_days_or_no_kind_is_kept_and_says_so(site, consultant_client):
    answer = consultant_client.post("/inbox/senders/add/", {"receipt": "one", "name": LAB, "days": 900})
    shown = answer.content.decode()
    assert answer.status_code == 422
    assert "less than or equal to 730" in shown
    assert "With its token it may send: This field is required." in shown
    assert LAB in shown and not Sender.objects.exists()


# Commands


def test_the_commands_make_show_and_revoke(site, capsys):
    call_command("make_token", "--sender", LAB, "--days", "20", "--kinds", "Observation", "Bundle")
    call_command("show_senders")
    said = capsys.readouterr().out.splitlines()[-1].split("\t")
    assert said == [LAB, "may send", "ends 2026-06-21", "Observation Bundle", "never used", ""]
    used(NOW)
    with pytest.raises(SystemExit) as ended:
        call_command("show_senders")
    assert ended.value.code == 1
    assert LAB in capsys.readouterr().err
    call_command("revoke_sender", "--sender", LAB)
    row = one()
    assert (row.is_active, row.token_digest) == (False, "")
    call_command("show_senders")
    assert capsys.readouterr().out.splitlines()[-1].split("\t")[:3] == [LAB, "revoked", "no token"]
    assert TrailEntry.objects.filter(action="revoke sender").count() == 1


@pytest.mark.parametrize(
    ("command", "asked", "says"),
    [
        ("make_token", ["--days", "1000"], "allowed is 1 to 730"),
        ("make_token", ["--kinds", "Patient"], "at least one of Observation"),
        ("revoke_sender", [], "No sender is called 'Nobody'; listed are: none"),
    ],
)
def test_the_commands_refuse_in_words(site, command, asked, says):
    with pytest.raises(CommandError, match=says):
        call_command(command, "--sender", "Nobody", *asked)
    assert not Sender.objects.exists()


def test_a_sender_is_revoked_once(site, token):
    call_command("revoke_sender", "--sender", LAB)
    with pytest.raises(CommandError, match="revoked already"):
        call_command("revoke_sender", "--sender", LAB)
