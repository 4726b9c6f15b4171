"""The own password asked again, and name with PIN at a colleague's screen: counted, slowed, and ended in a row."""

from datetime import timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.test import Client

from programme.core import sign_ins
from programme.core.models import SignInTries, TrailEntry
from programme.core.numeric.throttle import MOST_AGAIN, MOST_AT_A_SCREEN
from programme.core.proofs import prove_again
from programme.core.services import prove, set_pin
from programme.core.sign_ins import Place, prove_password
from tests.factories import NOW, PASSWORD, make_user

pytestmark = pytest.mark.django_db
HERE, PIN = Place("192.0.2.1", ""), "493817"
HOUR = timedelta(hours=1)


@pytest.fixture
def fenwick(site):
    user = make_user(site=site, username="a.fenwick", with_password=True)
    set_pin(user=user, pin=PIN, at=NOW)
    return user


def wrong_tries(ask, *, tries, every):
    """Try so often with a wrong secret, each time an `every` after the last; return the moment after them."""
    for n in range(tries):
        with pytest.raises(ValidationError):
            ask("wrong", NOW + n * every)
    return NOW + tries * every


def again(user):
    return lambda secret, at: prove_again(user=user, password=secret, at=at)


def at_a_screen(user, colleague):
    def ask(secret, at):
        return prove(
            username=user.username, secret=secret, site=user.site, actor=colleague, at=at, instead="sign in yourself"
        )

    return ask


def test_the_own_password_is_looked_at_ten_times_in_a_row_until_the_next_sign_in(fenwick):
    at = wrong_tries(again(fenwick), tries=120, every=2 * HOUR)
    assert TrailEntry.objects.filter(action="refused own password", actor=fenwick).count() == MOST_AGAIN
    with pytest.raises(ValidationError, match="not asked here any more: sign out, and in again"):
        prove_again(user=fenwick, password=PASSWORD, at=at)
    assert prove_password(name="a.fenwick", password=PASSWORD, place=HERE, at=at) == fenwick  # nobody is shut out
    prove_again(user=fenwick, password=PASSWORD, at=at)


def test_after_five_wrong_ones_even_the_right_one_waits_and_a_right_one_begins_anew(fenwick):
    for _ in range(5):
        with pytest.raises(ValidationError, match="Nothing was changed"):
            prove_again(user=fenwick, password="wrong", at=NOW)
    with pytest.raises(ValidationError, match="asked again in 1 min"):
        prove_again(user=fenwick, password=PASSWORD, at=NOW + timedelta(seconds=59))
    prove_again(user=fenwick, password=PASSWORD, at=NOW + timedelta(seconds=60))
    assert not SignInTries.objects.exists()


def test_name_and_pin_fail_ten_times_in_a_row_at_most_before_the_owner_signs_in(fenwick):
    ask = at_a_screen(fenwick, make_user(site=fenwick.site, username="colleague"))
    at = wrong_tries(ask, tries=150, every=timedelta(minutes=4))
    assert TrailEntry.objects.filter(action="refused a name and PIN").count() == MOST_AT_A_SCREEN
    for right in (PIN, PASSWORD):
        with pytest.raises(ValidationError, match=r"10 wrong PINs in a row: sign in yourself\. Signing in opens it"):
            ask(right, at + HOUR)
    assert prove_password(name="a.fenwick", password=PASSWORD, place=HERE, at=at + HOUR) == fenwick
    assert ask(PIN, at + HOUR) == fenwick


def test_what_fails_here_takes_nothing_from_signing_in_and_is_never_put_with_it(fenwick):
    wrong_tries(again(fenwick), tries=MOST_AGAIN, every=2 * HOUR)
    late = NOW + sign_ins.SOURCES_KEPT_FOR + 24 * HOUR
    assert sign_ins.forget_old(at=late) == 0
    assert SignInTries.objects.get().failures == MOST_AGAIN
    with pytest.raises(ValidationError, match="do not fit together"):
        prove_password(name="a.fenwick", password="wrong", place=HERE, at=late)


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/account/password/", {"old_password": "wrong", "new_password1": "n" * 20, "new_password2": "n" * 20}),
        ("/account/pin/", {"password": "wrong", "pin": "582946", "again": "582946"}),
        ("/account/second-proof/", {"password": "wrong", "code": "123456"}),
    ],
)
def test_every_page_that_asks_for_the_own_password_counts(fenwick, path, fields):
    client = Client()
    client.force_login(fenwick)
    with time_machine.travel(NOW, tick=False):
        for _ in range(5):
            assert "The password is not this one" in client.post(path, fields).content.decode()
        assert "asked again in 1 min" in client.post(path, fields).content.decode()
    assert TrailEntry.objects.filter(action="refused own password", row_key=fenwick.pk).count() == 5
