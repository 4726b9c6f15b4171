"""Signing in with an account of a provider: who comes in, what else is asked of them, and the way out."""

import logging
from dataclasses import replace
from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from programme.core import time_out
from programme.core.models import KnownBrowser, OutsideAccount, SignedIn, SignInTries, TrailEntry, User
from programme.core.second_proof import set_up
from tests.factories import NOW, PASSWORD, make_user
from tests.openid_provider import CLIENT_ID
from tests.openid_walk import BACK, START, asked, at_provider, is_in, query_of, said_on, walk
from tests.programme.core.test_second_proof import SALT, shown

pytestmark = [pytest.mark.django_db, pytest.mark.either_database, pytest.mark.usefixtures("named")]


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=True) as traveller:
        yield traveller


# Coming in


def test_who_is_linked_comes_in_as_by_password(linked, provider):
    client = Client()
    answer = walk(client, "/account/")
    assert answer["Location"] == "/account/"
    assert is_in(client)
    entry = TrailEntry.objects.get()
    assert (entry.action, entry.actor, entry.after["by"]) == ("signed in", linked, "account of the provider")
    assert SignedIn.objects.get().session_key == client.session.session_key
    assert client.session[time_out.TIMES]["longest_s"] == 12 * 3600
    assert KnownBrowser.objects.get().user == linked


def test_what_is_asked_of_the_provider(linked, provider):
    """OpenID Connect Core 1.0, 3.1.2.1; RFC 7636 (2015), 4.3 with S256; RFC 9700 (2025), 2.1.1; ASVS 5.0, V10.1.2."""
    first, second = (query_of(asked(Client())) for _ in range(2))
    assert (first["response_type"], first["scope"], first["client_id"]) == ("code", "openid", CLIENT_ID)
    assert first["code_challenge_method"] == "S256"
    assert first["redirect_uri"] == f"http://testserver{BACK}"
    assert (first["prompt"], first["max_age"]) == ("login", "0")
    for name in ("state", "nonce", "code_challenge"):
        assert len(first[name]) >= 20
        assert first[name] != second[name]
    walk(Client())
    assert len(provider.seen["/token"][0]["code_verifier"]) >= 43  # RFC 7636 (2015), 4.1


def test_an_administrator_begins_with_the_users(linked):
    User.objects.update(role="administrator")
    assert walk(Client(), "/")["Location"] == reverse("core:users")


def test_nothing_of_the_provider_is_kept(linked, caplog):
    client = Client()
    with caplog.at_level(logging.DEBUG, "programme"):
        way_back = at_provider(asked(client))
        client.get(way_back)
    kept = str(dict(client.session)) + str(list(TrailEntry.objects.values())) + caplog.text
    assert "eyJ" not in kept  # how every token begins
    assert query_of(way_back)["code"] not in kept
    assert "_state_" not in kept


def test_wrong_tries_with_a_password_are_forgiven_and_do_not_stand_in_the_way(linked):
    for n in range(80):
        SignInTries.objects.create(account="x", source=str(n), user=linked, failures=1, last_at=NOW)
    client = Client()
    client.post(reverse("core:sign_in"), {"username": "a.fenwick", "password": "wrong"})
    walk(client)
    assert is_in(client)
    assert not SignInTries.objects.exclude(account="x").exists()


def test_a_provider_that_wants_the_secret_in_the_form_gets_it_there(linked, provider):
    """OpenID Connect Core 1.0, 9: client_secret_post; where nothing is said, client_secret_basic."""
    provider.wants_secret_in_form = True
    provider.metadata = {"token_endpoint_auth_methods_supported": ["client_secret_post", "private_key_jwt"]}
    client = Client()
    walk(client)
    assert is_in(client)


# Who may not


@pytest.mark.parametrize(
    "change",
    [
        lambda user, provider: setattr(provider, "subject", "someone-else"),
        lambda user, provider: setattr(provider, "subject", provider.subject.upper()),  # sub is case sensitive
        lambda user, provider: User.objects.update(is_active=False),
        lambda user, provider: OutsideAccount.objects.update(issuer="https://elsewhere.example"),
        lambda user, provider: OutsideAccount.objects.all().delete(),
    ],
)
def test_nobody_comes_in_by_an_account_that_is_not_theirs_and_nobody_is_made(linked, provider, change):
    """By issuer and subject alone (OpenID Connect Core 1.0, 5.7; ASVS 5.0, V10.5.2): never by name or e-mail."""
    provider.claims = {"email": "a.fenwick@unit.example", "preferred_username": "a.fenwick", "role": "consultant"}
    change(linked, provider)
    client = Client()
    assert "This account signs nobody in here" in said_on(client, walk(client))
    entry = TrailEntry.objects.get()
    assert (entry.action, entry.row_key, entry.actor) == ("refused a sign-in", None, None)
    assert provider.subject not in str(entry.after)
    assert User.objects.count() == 1


def test_a_role_comes_from_here_whatever_the_provider_says(linked, provider):
    provider.claims = {"roles": ["consultant"], "role": "consultant", "groups": ["administrators"]}
    client = Client()
    walk(client)
    assert client.get("/users/").status_code == 403
    linked.refresh_from_db()
    assert linked.role == "nurse"


def test_no_open_redirect(linked):
    """ASVS 4.0.3, 5.1.5: only to pages of this site."""
    for elsewhere in ("https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)"):
        assert walk(Client(), elsewhere)["Location"] == "/"


# The second proof, and what else must be set


@pytest.fixture
def proof(linked):
    set_up(user=linked, salt=SALT, code=shown(NOW), at=NOW)
    linked.refresh_from_db()


@pytest.mark.usefixtures("proof")
def test_the_own_second_proof_is_asked_whatever_the_provider_took(linked, provider, clock):
    provider.claims = {"amr": ["pwd", "otp", "mfa"], "acr": "high"}
    client = Client()
    assert walk(client, "/account/")["Location"] == reverse("core:second_step")
    assert not is_in(client)
    clock.shift(timedelta(minutes=2))
    page = client.post(reverse("core:second_step"), {"code": shown(NOW + timedelta(minutes=2))})
    assert page["Location"] == "/account/"
    assert is_in(client)
    assert TrailEntry.objects.latest("pk").after["by"] == "account of the provider"


@pytest.mark.usefixtures("proof")
@pytest.mark.parametrize(
    ("claims", "done"),
    [({"amr": ["pwd", "mfa"]}, True), ({"acr": "loa3"}, True), ({"amr": ["pwd"], "acr": "0"}, False), ({}, False)],
)
def test_a_second_proof_of_the_provider_counts_where_the_setting_says_which(provider, named, settings, claims, done):
    """Names of ways: RFC 8176 (2017), 2."""
    settings.OIDC = replace(named, second_proof_by=frozenset({"mfa", "loa3"}))
    provider.claims = claims
    client = Client()
    walk(client)
    assert is_in(client) is done


@pytest.mark.parametrize(("claims", "owes"), [({"amr": ["mfa"]}, False), ({}, True)])
def test_a_role_that_must_have_one_owes_none_where_the_provider_took_it(
    linked, provider, named, settings, claims, owes
):
    settings.SECOND_PROOF_ROLES = {"nurse"}
    settings.OIDC = replace(named, second_proof_by=frozenset({"mfa"}))
    provider.claims = claims
    client = Client()
    walk(client)
    assert (client.get("/account/").status_code == 302) is owes


def test_a_first_password_is_not_asked_of_who_does_not_use_it(linked):
    User.objects.update(initial_password_until=NOW - timedelta(days=9))
    client = Client()
    walk(client)
    assert is_in(client)


@pytest.mark.usefixtures("proof")
def test_who_did_nothing_for_a_while_comes_back_without_the_second_proof_and_to_the_same_end(linked, provider, clock):
    client = Client()
    walk(client)
    clock.shift(timedelta(minutes=2))
    client.post(reverse("core:second_step"), {"code": shown(NOW + timedelta(minutes=2))})
    began = client.session[time_out.TIMES]["since"]
    clock.shift(timedelta(minutes=31))
    assert client.get("/review/")["Location"] == "/sign-in/?next=/review/"
    assert walk(client, "/review/")["Location"] == "/review/"
    assert is_in(client)
    assert client.session[time_out.TIMES]["since"] == began


def test_the_sign_in_of_the_provider_may_be_taken_as_it_is(linked, provider, named, settings):
    settings.OIDC = replace(named, login_each_time=False)
    provider.claims = {"auth_time": None}
    client = Client()
    assert "prompt" not in query_of(asked(client))
    walk(client)
    assert is_in(client)


# Passwords shut


def test_with_passwords_shut_only_administrators_sign_in_with_one(linked, site, settings):
    settings.PASSWORDS_FOR_ALL = False
    make_user(site=site, username="d.hallam", role="administrator", with_password=True)
    client = Client()
    told = set()
    for name, password in (("a.fenwick", PASSWORD), ("a.fenwick", "wrong"), ("nobody", "x"), ("d.hallam", "wrong")):
        page = client.post(reverse("core:sign_in"), {"username": name, "password": password})
        told.add(page.context["form"].non_field_errors()[0])
    assert told == {openid_words()}  # one answer, so that it tells nobody whether a password fits
    client.post(reverse("core:sign_in"), {"username": "d.hallam", "password": PASSWORD})
    assert is_in(client)
    other = Client()
    walk(other)
    assert is_in(other)


def openid_words():
    return (
        "With a password only administrators sign in here, and name and password must fit together. Everybody else "
        "signs in with the account above."
    )


# Out


def test_signing_out_ends_here_and_says_how_it_ends_there(linked, provider):
    """OpenID Connect RP-Initiated Logout 1.0, 2 and 3."""
    client = Client()
    walk(client)
    answer = client.post(reverse("core:sign_out"))
    assert answer["Location"] == reverse("core:signed_out")
    assert not is_in(client)
    assert SignedIn.objects.count() == 1  # its row goes at night, with the session that is gone
    assert "you may still be signed in with your hospital account" in client.get(answer["Location"]).content.decode()
    there = client.get(reverse("core:sign_out_there"))["Location"]
    assert there.startswith(f"{provider.issuer}/end?")
    assert query_of(there) == {"client_id": CLIENT_ID, "post_logout_redirect_uri": "http://testserver/sign-in/"}


def test_who_signed_in_by_password_signs_out_as_ever(linked):
    client = Client()
    client.post(reverse("core:sign_in"), {"username": "a.fenwick", "password": PASSWORD})
    assert client.post(reverse("core:sign_out"))["Location"] == reverse("core:sign_in")


def test_a_provider_that_ends_nothing_is_said(provider, client):
    provider.metadata = {"end_session_endpoint": None}
    assert "It cannot be ended from here" in client.get(reverse("core:sign_out_there")).content.decode()
    provider.broken["/.well-known/openid-configuration"] = lambda: (200, {}, b"[]")
    assert "Close the browser." in client.get(reverse("core:sign_out_there")).content.decode()


# Off


def test_without_a_provider_nothing_of_it_is_there(settings, client, linked):
    settings.OIDC = None
    assert b"provider" not in client.get("/sign-in/").content
    for path in (START, BACK, reverse("core:signed_out"), reverse("core:sign_out_there")):
        assert client.get(path).status_code == 404
    client.force_login(linked)
    assert client.get(reverse("core:own_outside_account")).status_code == 404
    assert "hospital account" not in client.get("/account/").content.decode()
