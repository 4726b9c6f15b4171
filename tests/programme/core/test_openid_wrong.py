"""Signing in with an account of a provider: every way in which its answer can be wrong, or not come."""

import hmac
import time
from dataclasses import replace
from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from joserfc import jwk

from programme.core import openid
from programme.core.models import TrailEntry
from tests.factories import NOW, PASSWORD
from tests.openid_provider import CLIENT_ID, signed_by_hand
from tests.openid_walk import BACK, START, asked, at_provider, is_in, query_of, said_on, walk

pytestmark = [pytest.mark.django_db, pytest.mark.either_database, pytest.mark.usefixtures("named")]


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=True) as traveller:
        yield traveller


# Wrong answers


def other_key(provider):
    provider.key = jwk.RSAKey.generate_key(2048, parameters={"kid": "one"}, private=True)


def shared_key(provider):
    """The public key taken as a secret, the oldest of tricks (RFC 8725 (2020), 2.1)."""
    public = provider.published[0].as_pem(private=False)
    header = {"alg": "HS256", "kid": "one"}
    provider.sign = lambda said: signed_by_hand(header, said, lambda body: hmac.digest(public, body, "sha256"))
    provider.metadata = {"id_token_signing_alg_values_supported": ["RS256", "HS256"]}


def unsigned(provider):
    provider.sign = lambda said: signed_by_hand({"alg": "none"}, said, lambda body: b"")
    provider.metadata = {"id_token_signing_alg_values_supported": ["RS256", "none"]}


def says(**claims):
    def tell(provider):
        provider.claims = {name: value(provider) if callable(value) else value for name, value in claims.items()}

    return tell


WRONG = {
    # OpenID Connect Core 1.0, 3.1.3.7, by its numbers; ASVS 5.0, V10.5.1 and V10.5.4. A clock may be two minutes off.
    "2 issuer": says(iss="https://elsewhere.example"),
    "2 no issuer": says(iss=None),
    "3 audience": says(aud="somebody-else"),
    "3 audience, though we are named beside": says(aud="somebody-else", azp=CLIENT_ID),
    "3 no audience": says(aud=None),
    "4 many audiences and nobody named": says(aud=[CLIENT_ID, "somebody-else"]),
    "5 authorized party": says(azp="somebody-else"),
    "6 signature": other_key,
    "7 not signed": unsigned,
    "8 signed with the public key": shared_key,
    "9 expired": says(exp=lambda _: int(time.time()) - 121),
    "9 never ends": says(exp=None),
    "10 issued tomorrow": says(iat=lambda _: int(time.time()) + 86400),
    "11 nonce": says(nonce="of-another"),
    "11 no nonce": says(nonce=None),
    "13 asked this morning": says(auth_time=lambda _: int(time.time()) - 3600),
    "13 not said when": says(auth_time=None),
    "no subject": says(sub=None),
    "an endless subject": says(sub="x" * 256),
    "a subject that is no text": says(sub=["8f1c-0042"]),
}


@pytest.mark.parametrize("tell", WRONG.values(), ids=WRONG)
def test_an_id_token_that_is_wrong_lets_nobody_in(linked, provider, tell):
    tell(provider)
    client = Client()
    assert "the answer cannot be trusted" in said_on(client, walk(client))
    assert not TrailEntry.objects.filter(action="signed in").exists()


def test_the_same_token_unchanged_lets_in(linked, provider):
    """The control of the list above: many audiences that name us, and clocks a little apart."""
    now = int(time.time())
    provider.claims = {"aud": [CLIENT_ID, "b"], "azp": CLIENT_ID, "exp": now - 100, "auth_time": now - 100}
    client = Client()
    walk(client)
    assert is_in(client)


def test_a_key_that_was_changed_meanwhile_is_fetched(linked, provider):
    walk(Client())
    other_key(provider)
    provider.published = [provider.key]
    client = Client()
    walk(client)
    assert is_in(client)


@pytest.mark.parametrize("forge", [lambda q: q | {"state": "x"}, lambda q: {"code": q["code"]}])
def test_a_state_of_nobody_lets_nobody_in(linked, provider, forge):
    """RFC 9700 (2025), 2.1: one that was not given to this browser (RFC 6749 (2012), 10.12)."""
    client = Client()
    query = query_of(at_provider(asked(client)))
    assert "begun elsewhere" in said_on(client, client.get(BACK, forge(query)))
    assert provider.seen["/token"] == []


def test_a_way_back_of_another_browser_lets_nobody_in(linked, provider):
    way_back = at_provider(asked(Client()))
    client = Client()
    asked(client)
    assert "begun elsewhere" in said_on(client, client.get(way_back))


def test_a_way_back_is_good_once(linked, provider):
    """RFC 6749 (2012), 4.1.2: and that even where the provider takes its code again."""
    provider.reuses_codes = True
    client = Client()
    way_back = at_provider(asked(client))
    client.get(way_back)
    client.post(reverse("core:sign_out"))
    assert "used already" in said_on(client, client.get(way_back))


def test_a_code_that_was_used_elsewhere_lets_nobody_in(linked, provider):
    client = Client()
    way_back = at_provider(asked(client))
    provider.codes.clear()
    assert "cannot be trusted" in said_on(client, client.get(way_back))


def test_a_code_of_another_sign_in_is_refused_for_its_verifier(linked, provider):
    """RFC 7636 (2015), 4.6: a stolen code does not fit the verifier of another browser."""
    stolen, client = query_of(at_provider(asked(Client())))["code"], Client()
    mine = query_of(at_provider(asked(client)))
    assert "cannot be trusted" in said_on(client, client.get(BACK, mine | {"code": stolen}))


def test_a_sign_in_is_finished_within_ten_minutes(linked, provider, clock):
    client = Client()
    way_back = at_provider(asked(client))
    clock.shift(timedelta(minutes=10))
    assert "over ten minutes ago" in said_on(client, client.get(way_back))


def test_an_answer_of_another_issuer_is_refused(linked, provider):
    """RFC 9207 (2022), 2.4."""
    client = Client()
    way_back = at_provider(asked(client))
    page = said_on(client, client.get(f"{way_back}&iss=https://elsewhere.example"))
    assert "cannot be trusted" in page
    assert provider.seen["/token"] == []


def test_who_gives_up_at_the_provider_is_told_so_without_its_words(linked, provider):
    client = Client()
    state = query_of(asked(client))["state"]
    answer = client.get(BACK, {"error": "access_denied", "error_description": "Ring 0900", "state": state})
    page = said_on(client, answer)
    assert "Nothing came of signing in with your hospital account" in page
    assert "0900" not in page


# A provider that is down, or says nonsense


def nonsense(content, status=200, **headers):
    return lambda: (status, {"Content-Type": "application/json", **headers}, content)


NONSENSE = [b"", b"[]", b"null", b"<html>", b'{"a": 1}', b"\xff\xfe", b"[" * 5000, b'{"keys": [{"kty": "RSA"}]}']


@pytest.mark.parametrize("path", ["/.well-known/openid-configuration", "/token", "/jwks"])
def test_nonsense_is_told_in_words_and_passwords_go_on(linked, provider, path):
    for number, content in enumerate(NONSENSE):
        provider.broken[path] = nonsense(content)
        client = Client()
        answer = client.get(START)
        if path == "/token" or path == "/jwks":
            answer = client.get(at_provider(answer["Location"]))
        page = said_on(client, answer)
        assert "cannot be trusted" in page, number
        assert "Name and password work all the same." in page
    client.post(reverse("core:sign_in"), {"username": "a.fenwick", "password": PASSWORD})
    assert is_in(client)


@pytest.mark.parametrize("status", [301, 404, 500, 503])
def test_a_provider_that_fails_or_leads_elsewhere_is_told_in_words(linked, provider, status):
    where = {"Location": f"{provider.issuer}/elsewhere"}
    provider.broken["/.well-known/openid-configuration"] = nonsense(b"", status, **where)
    client = Client()
    page = said_on(client, client.get(START))
    assert "cannot be trusted" in page or "cannot be reached" in page
    assert "/elsewhere" not in provider.asked


def test_a_provider_that_is_gone_is_told_in_words_and_keeps_where_one_was_going(linked, named, settings):
    settings.OIDC = replace(named, issuer="http://127.0.0.1:9")  # where nobody listens
    client = Client()
    answer = client.get(START, {"next": "/review/"})
    assert answer["Location"] == "/sign-in/?next=%2Freview%2F"
    assert "Your hospital account cannot be reached now." in said_on(client, answer)


def test_a_provider_that_does_not_answer_is_waited_for_so_long_and_no_longer(linked, provider, monkeypatch):
    assert openid.WAIT_S == 5.0
    monkeypatch.setattr(openid, "WAIT_S", 0.2)
    waits = []

    def slow():
        time.sleep(1)
        waits.append(True)
        return 200, {}, b"{}"

    provider.broken["/.well-known/openid-configuration"] = slow
    client = Client()
    page = said_on(client, client.get(START))
    assert "cannot be reached now" in page
    assert not waits


@pytest.mark.parametrize(
    "said",
    [
        {"issuer": "https://elsewhere.example"},
        {"token_endpoint": "http://elsewhere.example/token"},
        {"authorization_endpoint": "javascript:alert(1)"},
        {"jwks_uri": None},
        {"end_session_endpoint": "http://elsewhere.example/"},
        {"id_token_signing_alg_values_supported": ["none", "HS256"]},
    ],
)
def test_what_a_provider_says_of_itself_is_not_taken_on_trust(linked, provider, said):
    """OpenID Connect Discovery 1.0, 3 and 4.3; ASVS 5.0, V10.5.3: the issuer is the one that was asked, all by TLS."""
    provider.metadata = said
    client = Client()
    assert "cannot be trusted" in said_on(client, client.get(START))


def test_what_a_provider_says_beside_changes_nothing(linked, provider):
    provider.metadata = {"verify": False, "scope": "openid email", "client_id": "x", "code_challenge_method": "plain"}
    assert query_of(asked(Client()))["scope"] == "openid"
    client = Client()
    walk(client)
    assert is_in(client)
