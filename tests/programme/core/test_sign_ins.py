"""Signing in: wrong tries wait, nobody is shut out by another, a name nobody has is answered alike."""

import io
import logging
from datetime import timedelta

import pytest
import time_machine
from django.contrib.auth.hashers import MD5PasswordHasher
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from programme.core import sign_ins
from programme.core.access import address_of
from programme.core.models import KnownBrowser, SignInTries, TrailEntry
from programme.core.numeric.throttle import FREE_TRIES, MOST_ELSEWHERE, MOST_KNOWN
from programme.core.proofs import prove_again
from programme.core.services import prove
from programme.core.sign_ins import Place, prove_password, remember
from programme.core.tasks import clear_sign_ins
from tests.factories import NOW, PASSWORD, make_user

pytestmark = pytest.mark.django_db
GUESS = "not-this-one-at-all"
HERE, ELSEWHERE = Place("192.0.2.1", ""), Place("198.51.100.7", "")
HOUR = timedelta(hours=1)


@pytest.fixture
def fenwick(site):
    return make_user(site=site, username="a.fenwick", full_name="A. Fenwick", with_password=True)


def refused(name="a.fenwick", place=ELSEWHERE, at=NOW, password=GUESS):
    """Return the words with which a sign-in is refused."""
    with pytest.raises(ValidationError) as said:
        prove_password(name=name, password=password, place=place, at=at)
    return said.value.messages[0]


def used_up(name="a.fenwick", place=ELSEWHERE, tries=FREE_TRIES, at=NOW):
    """Fail `tries` times, an hour apart where the waits ask for it; return the moment of the last."""
    for n in range(tries):
        at += HOUR if n >= FREE_TRIES else timedelta(0)
        assert "do not fit together" in refused(name, place, at)
    return at


def test_the_right_password_signs_in_and_the_trail_says_from_where(fenwick):
    assert prove_password(name="a.fenwick", password=PASSWORD, place=HERE, at=NOW) == fenwick
    entry = TrailEntry.objects.get()
    assert (entry.action, entry.actor, entry.after["from"]) == ("signed in", fenwick, "192.0.2.1")
    assert not SignInTries.objects.exists()


def test_after_five_wrong_tries_even_the_right_password_waits_a_minute_and_then_two(fenwick):
    used_up()
    assert "After 5 wrong tries" in refused(password=PASSWORD, at=NOW + timedelta(seconds=59))
    assert "do not fit together" in refused(at=NOW + timedelta(seconds=60))
    assert "waits here for 2 min" in refused(password=PASSWORD, at=NOW + timedelta(seconds=61))
    assert prove_password(name="a.fenwick", password=PASSWORD, place=ELSEWHERE, at=NOW + timedelta(seconds=180))


def test_a_try_while_sign_in_waits_is_not_counted_so_nobody_can_lengthen_it(fenwick):
    used_up()
    for second in range(1, 50):
        refused(at=NOW + timedelta(seconds=second))
    assert SignInTries.objects.get().failures == FREE_TRIES
    assert prove_password(name="a.fenwick", password=PASSWORD, place=ELSEWHERE, at=NOW + timedelta(seconds=60))


def test_wrong_tries_from_one_address_do_not_slow_another(fenwick):
    used_up()
    assert prove_password(name="a.fenwick", password=PASSWORD, place=HERE, at=NOW) == fenwick


def test_a_guesser_with_many_addresses_is_stopped_while_the_own_browser_still_gets_in(fenwick):
    own = Place("192.0.2.1", remember(user=fenwick, place=HERE, at=NOW))
    for n in range(MOST_ELSEWHERE):
        refused(place=Place(f"198.51.100.{n}", ""))
    assert "closed here" in refused(place=Place("203.0.113.9", ""), password=PASSWORD)
    assert "closed here" in refused(place=HERE, password=PASSWORD)  # the same desk, without its secret
    assert "closed here" in refused(place=Place("192.0.2.1", "made-up"), password=PASSWORD)
    assert prove_password(name="a.fenwick", password=PASSWORD, place=own, at=NOW) == fenwick
    assert prove_password(name="a.fenwick", password=PASSWORD, place=HERE, at=NOW) == fenwick  # counted from nought


def test_who_knows_the_browser_cannot_guess_for_ever_either(fenwick):
    own = Place("192.0.2.1", remember(user=fenwick, place=HERE, at=NOW))
    last = used_up(place=own, tries=MOST_KNOWN)
    assert "closed here" in refused(place=own, password=PASSWORD, at=last + HOUR)
    assert prove_password(name="a.fenwick", password=PASSWORD, place=ELSEWHERE, at=last)


def test_in_all_a_hundred_failures_in_a_row_are_looked_at(fenwick):
    # NIST SP 800-63B-4 (2025), 3.2.2.
    own = Place("192.0.2.1", remember(user=fenwick, place=HERE, at=NOW))
    used_up(place=own, tries=MOST_KNOWN)
    for n in range(MOST_ELSEWHERE + 30):
        refused(place=Place(f"198.51.100.{n}", ""))
    colleague = make_user(site=fenwick.site, username="colleague")
    asked = {"username": "a.fenwick", "secret": "no", "site": fenwick.site, "actor": colleague, "instead": "wait"}
    for n in range(40):
        at = NOW + timedelta(hours=2 * n)
        with pytest.raises(ValidationError):
            prove_again(user=fenwick, password="no", at=at)
        with pytest.raises(ValidationError):
            prove(**asked, at=at)
    assert TrailEntry.objects.filter(action__startswith="refused ").count() == 100


def test_the_command_opens_sign_in_again_with_a_reason_in_the_trail(fenwick):
    for n in range(MOST_ELSEWHERE):
        refused(place=Place(f"198.51.100.{n}", ""))
    said = io.StringIO()
    call_command("open_sign_in", "a.fenwick", "--reason", "rang; not her tries", stderr=said)
    assert said.getvalue() == "Sign-in is open for A. Fenwick; 60 wrong tries are forgotten.\n"
    entry = TrailEntry.objects.get(action="opened sign-in again")
    assert (entry.row_key, entry.why, entry.actor) == (fenwick.pk, "rang; not her tries", None)
    assert prove_password(name="a.fenwick", password=PASSWORD, place=ELSEWHERE, at=NOW) == fenwick


@pytest.mark.parametrize(
    ("name", "reason", "words"), [("nobody", "r", "Nobody signs in as"), ("a.fenwick", " ", "Say why")]
)
def test_the_command_refuses_what_it_cannot_do(fenwick, name, reason, words):
    with pytest.raises(CommandError, match=words):
        call_command("open_sign_in", name, "--reason", reason)
    assert not TrailEntry.objects.exists()


# A name that nobody has


def test_a_name_nobody_has_is_answered_like_a_wrong_password_all_the_way(fenwick):
    answers = {}
    for name in ("a.fenwick", "nobody.here"):
        moments = [NOW + timedelta(seconds=20 * n) for n in range(30)]
        answers[name] = [refused(name, at=moment) for moment in moments]
        answers[name] += [refused(name, Place(f"203.0.113.{n}", "")) for n in range(100)]
    assert answers["a.fenwick"] == answers["nobody.here"]


def test_a_name_nobody_has_costs_the_same_hashing_and_the_same_queries(fenwick, monkeypatch):
    # The time of an answer is that of the hash and of the queries; seconds are not asserted.
    hashed = []
    encode = MD5PasswordHasher.encode
    monkeypatch.setattr(
        MD5PasswordHasher,
        "encode",
        lambda self, password, salt: hashed.append(password) or encode(self, password, salt),
    )
    asked = []
    gone = make_user(site=fenwick.site, username="left", with_password=True, is_active=False)
    for name in ("a.fenwick", "nobody.here", gone.username):
        hashed.clear()
        with CaptureQueriesContext(connection) as queries:
            refused(name)
        asked.append((len(queries), hashed.count(GUESS)))
    assert asked[0] == asked[1] == asked[2]
    assert asked[0][1] == 1


def test_nothing_that_was_typed_is_kept_or_logged(fenwick, client, caplog):
    with caplog.at_level(logging.DEBUG):
        for name in ("a.fenwick", "my-password-in-the-wrong-box"):
            client.post(reverse("core:sign_in"), {"username": name, "password": GUESS})
    kept = [*TrailEntry.objects.values(), *SignInTries.objects.values()]
    logged = [record for record in caplog.records if record.name != "django.db.backends"]  # debugging prints queries
    for typed in (GUESS, "my-password-in-the-wrong-box"):
        assert typed not in str(kept)
        assert typed not in str([(record.getMessage(), record.args) for record in logged])
    assert [e.row_key for e in TrailEntry.objects.order_by("number")] == [fenwick.pk, None]


def test_what_was_counted_for_names_nobody_has_goes_after_a_day(fenwick):
    refused("nobody.here")
    refused()
    refused("nobody.else", at=NOW + timedelta(hours=25))
    assert list(SignInTries.objects.order_by("pk").values_list("user", flat=True)) == [fenwick.pk, None]


# What is forgotten


HALF_A_YEAR = timedelta(days=180)


def test_from_where_wrong_tries_came_is_forgotten_and_their_number_is_not(fenwick):
    """NIST SP 800-63B-4 (2025), 3.2.2: at most 100 failures in a row, however long somebody waits between them."""
    for n in range(MOST_ELSEWHERE):
        refused(place=Place(f"198.51.100.{n}", ""))
    sources = set(SignInTries.objects.values_list("source", flat=True))
    assert sign_ins.forget_old(at=NOW + HALF_A_YEAR) == MOST_ELSEWHERE
    row = SignInTries.objects.get()
    assert (row.user, row.failures, row.last_at) == (fenwick, MOST_ELSEWHERE, NOW)
    assert row.source not in sources
    late = NOW + 2 * HALF_A_YEAR
    assert sign_ins.forget_old(at=late) == 0
    assert "closed here" in refused(place=Place("203.0.113.9", ""), password=PASSWORD, at=late)


def test_what_was_forgotten_before_and_since_adds_up_and_goes_when_the_name_signs_in(fenwick):
    for half_years, place in enumerate((ELSEWHERE, HERE, ELSEWHERE)):
        refused(place=place, at=NOW + half_years * HALF_A_YEAR)
        sign_ins.forget_old(at=NOW + (half_years + 1) * HALF_A_YEAR)
    assert SignInTries.objects.get().failures == 3
    prove_password(name="a.fenwick", password=PASSWORD, place=HERE, at=NOW + 3 * HALF_A_YEAR)
    assert not SignInTries.objects.exists()


def test_a_moment_before_nothing_is_forgotten(fenwick):
    remember(user=fenwick, place=HERE, at=NOW)
    refused()
    assert sign_ins.forget_old(at=NOW + HALF_A_YEAR - timedelta(seconds=1)) == 0
    assert KnownBrowser.objects.count() == SignInTries.objects.count() == 1


def test_the_night_forgets_old_browsers_and_tries_of_nobody(fenwick):
    remember(user=fenwick, place=HERE, at=NOW)
    refused("nobody.here")
    remember(user=fenwick, place=ELSEWHERE, at=NOW + timedelta(days=1))
    with time_machine.travel(NOW + HALF_A_YEAR, tick=False):
        clear_sign_ins()
    assert KnownBrowser.objects.get().last_at == NOW + timedelta(days=1)
    assert not SignInTries.objects.exists()


def test_the_command_forgets_them_and_says_how_many(fenwick):
    remember(user=fenwick, place=HERE, at=NOW)
    refused()
    out = io.StringIO()
    with time_machine.travel(NOW + HALF_A_YEAR, tick=False):
        call_command("clear_sign_ins", stdout=out)
    assert out.getvalue().splitlines()[1] == "2 old browsers and sources of wrong tries were forgotten."


# Browsers


def post(client, password, name="a.fenwick", **more):
    return client.post(reverse("core:sign_in"), {"username": name, "password": password}, **more)


def test_a_browser_is_known_by_a_secret_that_scripts_cannot_read_and_that_changes(fenwick, frozen_day):
    client = Client()
    assert post(client, PASSWORD).status_code == 302
    first = client.cookies["ebbline_browser"]
    assert (first["httponly"], first["samesite"], first["path"]) == (True, "Lax", "/sign-in/")
    assert first.value not in str(list(KnownBrowser.objects.values()))
    planted = first.value
    client.post(reverse("core:sign_out"))
    assert post(client, PASSWORD).status_code == 302
    assert client.cookies["ebbline_browser"].value != planted
    assert KnownBrowser.objects.count() == 1


def test_a_browser_of_the_unit_stays_known_for_everybody_who_signs_in_there(fenwick, site):
    moss = make_user(site=site, username="r.moss", with_password=True)
    client = Client()
    for name in ("a.fenwick", "r.moss", "a.fenwick"):
        post(client, PASSWORD, name)
        client.post(reverse("core:sign_out"))
    secret = client.cookies["ebbline_browser"].value
    for user in (fenwick, moss):
        assert prove_password(name=user.username, password=PASSWORD, place=Place("", secret), at=NOW) == user
    assert {e.after["browser"] for e in TrailEntry.objects.order_by("-pk")[:2]} == {"known"}


def test_a_browser_not_used_for_half_a_year_is_new_again(fenwick):
    own = Place("192.0.2.1", remember(user=fenwick, place=HERE, at=NOW))
    prove_password(name="a.fenwick", password=PASSWORD, place=own, at=NOW + sign_ins.KNOWN_FOR)
    assert TrailEntry.objects.get().after["browser"] == "new"
    remember(user=fenwick, place=own, at=NOW + sign_ins.KNOWN_FOR)
    assert KnownBrowser.objects.count() == 1


def test_the_page_keeps_the_name_and_says_how_long_it_waits(fenwick, client):
    with time_machine.travel(NOW, tick=False):
        for _ in range(FREE_TRIES):
            page = post(client, GUESS).content.decode()
            assert "Name and password do not fit together" in page
        page = post(client, PASSWORD).content.decode()
        assert "waits here for 1 min" in page
        assert 'value="a.fenwick"' in page
        assert GUESS not in page
        assert PASSWORD not in page
    with time_machine.travel(NOW + timedelta(seconds=61), tick=False):
        answer = client.post(
            reverse("core:sign_in"),
            {"username": "a.fenwick", "password": PASSWORD, "next": "https://elsewhere.example/"},
        )
        assert (answer.status_code, answer["Location"]) == (302, "/")


# Addresses


@pytest.mark.parametrize(
    ("behind", "said", "address"),
    [
        (False, "203.0.113.9", "127.0.0.1"),  # without a proxy of ours anybody can write the header
        (True, "203.0.113.9, 198.51.100.7", "198.51.100.7"),  # what our proxy saw; the rest the caller wrote
        (True, "2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        (True, "nonsense", ""),
    ],
)
def test_the_address_is_what_the_own_proxy_saw(rf, behind, said, address):
    with override_settings(BEHIND_PROXY=behind):
        assert address_of(rf.get("/", headers={"X-Forwarded-For": said})) == address
