"""The token before: how long it opens beside a new one, what is said of it, and whose it is known to be afterwards."""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from django.core.management import call_command
from django.db import IntegrityError, transaction

from programme.core.models import SiteSetting
from programme.intake.models import RawMessage, Refusal, Sender
from programme.intake.queries.senders import senders_of, warned_of
from programme.intake.services.senders import make_token, revoke_sender
from tests.factories import NOW
from tests.programme.intake.numeric.test_fhir import bundle, observation
from tests.programme.intake.test_fhir_api import post, words_of  # noqa: F401 -- a fixture

pytestmark = pytest.mark.usefixtures("frozen_day")
LAB = "Tidewater Laboratory"
DAY = timedelta(days=1)


def one():
    return Sender.objects.get(name=LAB)


@pytest.fixture
def token(site):
    """The token that there was; whoever posts without naming another uses it."""
    return make_token(site=site, name=LAB, at=NOW - 9 * DAY, days=40)


@pytest.fixture
def new(token, site):
    return make_token(site=site, name=LAB, at=NOW)


def decide(site, hours):
    SiteSetting.objects.create(site=site, name="token_grace_hours", value=hours, since=NOW - DAY, reason="agreed")


def at(moment):
    return time_machine.travel(moment, tick=False)


# How long


def test_for_a_day_both_tokens_open(new, post):  # noqa: F811
    assert post(observation(id="o1"), using=new).status_code == 201
    with at(NOW + DAY - timedelta(seconds=1)):
        assert post(observation(id="o2")).status_code == 201
    with at(NOW + DAY):
        answer = post(observation(id="o3"))
        assert post(observation(id="o4"), using=new).status_code == 201
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"] == 'Bearer error="invalid_token"'
    assert words_of(answer) == "This token has ended; use the new one that the unit gave."
    assert RawMessage.objects.count() == 3


@pytest.mark.parametrize(("hours", "opens"), [(0, 0), (168, 168)])
def test_the_site_decides_how_long(site, token, hours, opens):
    decide(site, hours)
    make_token(site=site, name=LAB, at=NOW)
    assert one().old_until == NOW + timedelta(hours=opens)


def test_with_no_hours_the_old_one_ends_at_once(site, token, post):  # noqa: F811
    decide(site, 0)
    make_token(site=site, name=LAB, at=NOW)
    assert post(observation()).status_code == 401


def test_an_old_token_opens_no_longer_than_it_would_have(site, token):
    make_token(site=site, name=LAB, at=NOW + 30 * DAY)
    assert one().old_until == NOW + 31 * DAY  # the end it was given with, and no day more
    make_token(site=site, name="Other", at=NOW, days=1)
    make_token(site=site, name="Other", at=NOW + timedelta(hours=20))
    assert Sender.objects.get(name="Other").old_until == NOW + DAY


def test_an_old_token_is_for_what_it_was_made_for(site, token, post):  # noqa: F811
    narrow = make_token(site=site, name=LAB, at=NOW, kinds=["Observation"])
    assert post(bundle(observation()), "/fhir/").status_code != 403
    assert post(bundle(observation()), "/fhir/", using=narrow).status_code == 403


def test_of_the_one_before_the_last_nothing_is_known(site, token, new, post):  # noqa: F811
    make_token(site=site, name=LAB, at=NOW + timedelta(hours=1))
    assert words_of(post(observation())) == "A valid token is needed: Authorization: Bearer TOKEN."
    assert not Refusal.objects.exists()


# What is refused is kept where the sender is known


def test_an_ended_token_leaves_a_refusal_for_its_unit(site, new, post):  # noqa: F811
    with at(NOW + DAY):
        for _ in range(2):
            post(observation())
    row = Refusal.objects.get()
    assert (row.site, row.sender, row.times) == (site, LAB, 2)
    assert row.words == "This token has ended; use the new one that the unit gave."


def test_a_revoked_sender_is_refused_and_its_unit_is_told(site, new, post):  # noqa: F811
    row = one()
    revoke_sender(row=row, version=row.version, actor=None, at=NOW)
    answer = post(observation(), using=new)
    assert answer.status_code == 401
    assert words_of(answer) == Refusal.objects.get().words == "This sender was revoked by the unit."
    assert not RawMessage.objects.exists()


def test_a_sender_listed_again_after_it_was_revoked_has_no_use_of_what_it_had(site, token, post):  # noqa: F811
    row = one()
    revoke_sender(row=row, version=row.version, actor=None, at=NOW)
    newer = make_token(site=site, name=LAB, at=NOW)
    assert post(observation()).status_code == 401
    assert post(observation(), using=newer).status_code == 201


# What it may do is remembered


def test_a_new_token_is_for_the_same_kinds_unless_others_are_named(site):
    make_token(site=site, name=LAB, at=NOW, kinds=["Bundle", "Observation"], trusts_references=True)
    call_command("make_token", "--sender", LAB)
    assert (one().kinds, one().trusts_references) == (("Observation", "Bundle"), True)
    call_command("make_token", "--sender", LAB, "--kinds", "Observation")
    assert one().kinds == ("Observation",)


def test_the_form_holds_what_a_sender_may_do_now(site, other_site, consultant_client):
    make_token(site=site, name=LAB, at=NOW, kinds=["Observation"], trusts_references=True)
    elsewhere = make_token(site=other_site, name="Of another unit", at=NOW) and Sender.objects.get(site=other_site)

    def initial(key):
        return consultant_client.get(f"/inbox/senders/?renew={key}").context["form"].initial

    shown = initial(one().pk)
    assert (shown["name"], shown["kinds"], shown["trusts_references"]) == (LAB, ("Observation",), True)
    for nobody in (elsewhere.pk, "x", "9" * 30, ""):
        assert "name" not in initial(nobody)
    page = consultant_client.get("/inbox/senders/").content.decode()
    assert f'href="?renew={one().pk}#id_name"' in page


# What is said


def test_page_and_command_say_until_when_the_old_one_opens(site, new, post, consultant_client, capsys):  # noqa: F811
    post(observation())
    page = consultant_client.get("/inbox/senders/").content.decode()
    assert "the old one opens till 2 Jun, 10:00; last used 1 Jun 2026" in page  # in the unit's summer time
    assert "the old one opens for 24 h more" in page
    with pytest.raises(SystemExit):
        call_command("show_senders")
    assert capsys.readouterr().out.splitlines()[-1].split("\t")[-1] == "old one till 2026-06-02 09:00 UTC"
    with at(NOW + DAY):
        [line] = senders_of(site, NOW + DAY)
        assert not line.old_opens


def test_who_goes_on_with_the_old_token_is_named_until_the_new_one_is_used(site, new, post):  # noqa: F811
    assert warned_of(site, NOW) == []
    post(observation(id="o1"))
    [line] = warned_of(site, NOW)
    assert line.keeps_to_old
    post(observation(id="o2"), using=new)
    assert warned_of(site, NOW) == []


def test_the_inbox_warns_who_can_give_a_new_token(site, new, post, consultant_client, nurse_client):  # noqa: F811
    assert "with its old token" not in consultant_client.get("/inbox/").content.decode()
    post(observation())
    assert (
        "still sends with its old token, which ends on 2 Jun 2026" in consultant_client.get("/inbox/").content.decode()
    )
    assert "with its old token" not in nurse_client.get("/inbox/").content.decode()


def test_the_inbox_warns_of_a_token_that_ends_within_a_month(site, token, post, consultant_client):  # noqa: F811
    post(observation())
    with at(NOW + 2 * DAY):
        consultant_client.force_login(site.users.get(role="consultant"))
        page = consultant_client.get("/inbox/").content.decode()
    assert "ends on 2 Jul 2026, and nothing it posts by FHIR" in page
    assert f"?renew={one().pk}#id_name" in page


def test_the_inbox_asks_the_same_queries_for_one_sender_and_for_three(
    site, consultant_client, django_assert_num_queries
):
    make_token(site=site, name=LAB, at=NOW)
    consultant_client.get("/inbox/")
    with django_assert_num_queries(9) as counted:
        consultant_client.get("/inbox/")
    for name in ("two", "three"):
        make_token(site=site, name=name, at=NOW)
    with django_assert_num_queries(len(counted)):
        consultant_client.get("/inbox/")


# What must never be


@pytest.mark.parametrize("wrong", [{"old_until": None}, {"old_kinds": ""}])
def test_an_old_token_without_end_or_kinds_is_refused_by_the_database(new, wrong):
    with pytest.raises(IntegrityError), transaction.atomic():
        Sender.objects.update(**wrong)


def test_two_senders_never_share_an_old_token(site, new):
    other = make_token(site=site, name="Other", at=NOW) and Sender.objects.get(name="Other")
    with pytest.raises(IntegrityError), transaction.atomic():
        Sender.objects.filter(pk=other.pk).update(old_digest=one().old_digest, old_until=NOW, old_kinds="Observation")
