"""The list of the own sign-ins, and ending them."""

import io
from datetime import timedelta

import pytest
import time_machine
from django.contrib.sessions.models import Session
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from programme.celery import schedule
from programme.core.models import SignedIn, TrailEntry
from programme.core.tasks import clear_sign_ins
from tests.factories import NOW, PASSWORD, make_user

pytestmark = pytest.mark.django_db
ADDRESS = "/account/sign-ins/"
TABLET = "Mozilla/5.0 (Linux; Android 14) Mobile"


@pytest.fixture
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def fenwick(site, clock):
    return make_user(site=site, username="a.fenwick", with_password=True)


def browser(name="a.fenwick", **headers):
    client = Client(headers=headers)
    assert client.post(reverse("core:sign_in"), {"username": name, "password": PASSWORD}).status_code == 302
    return client


def places(client):
    return client.get(ADDRESS).context["places"]


def is_in(client):
    return client.get("/account/").status_code == 200


def test_every_sign_in_is_listed_with_device_time_and_last_action(fenwick, clock):
    desk = browser()
    clock.shift(timedelta(minutes=10))
    browser(**{"User-Agent": TABLET})
    here, other = places(desk)
    assert (here.is_here, here.device, here.address) == (True, "computer", "127.0.0.1")
    assert here.last_action == NOW + timedelta(minutes=10)
    assert (other.is_here, other.device, other.since) == (False, "telephone or tablet", NOW + timedelta(minutes=10))


def test_one_is_ended_and_the_others_stay(fenwick):
    desk, tablet, third = browser(), browser(**{"User-Agent": TABLET}), browser()
    key = next(place.key for place in places(desk) if place.device != "computer")
    page = desk.post(ADDRESS, {"end": key}, follow=True)
    assert "1 ended." in page.content.decode()
    assert [is_in(desk), is_in(tablet), is_in(third)] == [True, False, True]
    assert "It had ended already." in desk.post(ADDRESS, {"end": key}, follow=True).content.decode()


def test_all_others_are_ended_and_the_trail_says_how_many(fenwick):
    desk, tablet, third = browser(), browser(), browser()
    desk.post(ADDRESS, {"end": "all"})
    assert [is_in(desk), is_in(tablet), is_in(third)] == [True, False, False]
    assert TrailEntry.objects.get(action="ended own sign-ins elsewhere").after == {"how many": 2}


@pytest.mark.parametrize("asked", ["", "this", "-1", "1.5"])
def test_what_names_no_sign_in_ends_none(fenwick, asked):
    desk, other = browser(), browser()
    assert desk.post(ADDRESS, {"end": asked}).status_code == 302
    assert is_in(other)


def test_nobody_ends_or_sees_what_is_of_somebody_else(fenwick, site):
    make_user(site=site, username="r.moss", with_password=True)
    hers, his = browser(), browser("r.moss")
    assert len(places(his)) == 1
    his.post(ADDRESS, {"end": SignedIn.objects.get(user=fenwick).pk})
    his.post(ADDRESS, {"end": "all"})
    assert is_in(hers)


def test_this_browser_is_not_ended_by_its_own_list(fenwick):
    desk = browser()
    desk.post(ADDRESS, {"end": SignedIn.objects.get().pk})
    assert is_in(desk)


def test_what_has_ended_by_itself_is_not_listed_and_is_forgotten(fenwick, clock):
    browser()
    signed_out = browser()
    signed_out.post(reverse("core:sign_out"))
    clock.shift(timedelta(minutes=31))
    desk = browser()
    assert [place.is_here for place in places(desk)] == [True]
    clock.shift(timedelta(hours=13))
    browser()
    assert SignedIn.objects.count() == 1


def test_a_new_password_ends_the_others_and_keeps_this_one_in_the_list(fenwick):
    desk, other = browser(), browser()
    new = "tideline copper orchard"
    said = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
    assert desk.post(reverse("core:change_password"), said).status_code == 302
    assert not is_in(other)
    assert [place.is_here for place in places(desk)] == [True]


def test_the_list_asks_a_fixed_number_of_queries(fenwick, django_assert_num_queries):
    desk = browser()
    for _ in range(2):
        with django_assert_num_queries(6):  # session, user, site, sessions, sign-ins, what waits in the inbox
            desk.get(ADDRESS)
        browser()
        browser()


def test_what_ended_sign_ins_left_is_deleted_and_who_is_signed_in_stays(fenwick, clock):
    old = browser()
    clock.shift(timedelta(hours=13))
    new = browser()
    assert Session.objects.count() == 2
    assert clear_sign_ins() == 1
    assert Session.objects.get().session_key == new.session.session_key == SignedIn.objects.get().session_key
    assert is_in(new)
    assert not is_in(old)


def test_the_command_deletes_them_and_says_how_many(fenwick, clock):
    browser()
    clock.shift(timedelta(hours=13))
    out = io.StringIO()
    call_command("clear_sign_ins", stdout=out)
    assert out.getvalue().splitlines()[0] == "1 ended sign-ins were deleted."
    assert not SignedIn.objects.exists()
    assert schedule(backed_up=False)["nightly-clearing"]["task"] == clear_sign_ins.name
