"""How long a sign-in lasts, and the quick way back."""

from datetime import timedelta

import pytest
import time_machine
from django.conf import settings
from django.test import Client
from django.urls import reverse
from django_otp.oath import totp

from programme.core import time_out
from programme.core.models import TrailEntry
from programme.core.second_proof import secret_of, set_up
from tests.factories import NOW, PASSWORD, make_site_setting, make_user

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def shown(salt):
    """What the telephone shows now."""
    return f"{totp(secret_of(salt)):06d}"


def signed_in(**more):
    kept = {}
    time_out.begin(kept, **({"idle_min": 30, "hours": 12, "at": NOW} | more))
    return kept


def test_a_sign_in_ends_so_long_after_the_last_action():
    kept = signed_in()
    assert not time_out.is_over(kept, NOW + 29 * MINUTE)
    assert time_out.is_over(kept, NOW + 30 * MINUTE)
    time_out.act(kept, NOW + 29 * MINUTE)
    assert not time_out.is_over(kept, NOW + 58 * MINUTE)
    assert time_out.is_over(kept, NOW + 59 * MINUTE)


def test_a_sign_in_ends_in_any_case_after_its_longest_time_and_then_nobody_returns_quickly():
    kept = signed_in()
    for minutes in range(20, 720, 20):
        time_out.act(kept, NOW + minutes * MINUTE)
    assert not time_out.is_over(kept, NOW + 719 * MINUTE)
    assert time_out.is_over(kept, NOW + 12 * HOUR)
    assert time_out.came_from(kept, name="n", account="h", at=NOW + 12 * HOUR) is None


def test_a_quick_return_goes_to_the_same_end():
    said = time_out.came_from(signed_in(), name="n", account="h", at=NOW + HOUR)
    kept = {time_out.RETURNING: said}
    assert time_out.may_return(kept, NOW + 12 * HOUR - MINUTE)["since"] == NOW.timestamp()
    assert time_out.may_return(kept, NOW + 12 * HOUR) is None
    again = signed_in(at=NOW + 11 * HOUR, since=said["since"])
    assert not time_out.is_over(again, NOW + 11 * HOUR + 29 * MINUTE)
    time_out.act(again, NOW + 11 * HOUR + 29 * MINUTE)
    assert time_out.is_over(again, NOW + 12 * HOUR)


def test_actions_within_a_minute_are_noted_once():
    kept = signed_in()
    before = dict(kept)
    time_out.act(kept, NOW + timedelta(seconds=59))
    assert kept == before
    time_out.act(kept, NOW + timedelta(seconds=60))
    assert kept != before


# On the pages


@pytest.fixture
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def fenwick(site):
    return make_user(site=site, username="a.fenwick", with_password=True)


@pytest.fixture
def browser(fenwick, clock):
    client = Client()
    assert sign_in(client).status_code == 302
    return client


def sign_in(client, then="/review/", password=PASSWORD):
    return client.post(reverse("core:sign_in"), {"username": "a.fenwick", "password": password, "next": then})


@pytest.mark.django_db
def test_who_did_nothing_for_half_an_hour_returns_to_the_same_page_with_the_password(browser, clock):
    clock.shift(29 * MINUTE)
    assert browser.get("/").status_code == 200
    clock.shift(30 * MINUTE)
    answer = browser.get("/review/?weeks=26")
    assert answer["Location"] == "/sign-in/?next=/review/%3Fweeks%3D26"
    page = browser.get(answer["Location"]).content.decode()
    assert "Signed out, as nothing was done here for a while" in page
    assert 'value="a.fenwick"' in page
    assert sign_in(browser, "/review/?weeks=26")["Location"] == "/review/?weeks=26"
    assert browser.get("/").status_code == 200


@pytest.mark.django_db
def test_two_requests_on_their_way_at_the_end_leave_the_quick_return(browser, clock):
    """A tablet asks for news while a touch is sent: both bring the cookie of the sign-in that ends with the first."""
    clock.shift(31 * MINUTE)
    name = settings.SESSION_COOKIE_NAME
    brought = browser.cookies[name].value
    browser.get(reverse("worklist:list"))
    browser.cookies[name] = brought
    second = browser.get(reverse("worklist:list"))
    assert "/sign-in/" in second.url
    assert name not in second.cookies, "the cookie is not taken away by the second"
    assert "Signed out, as nothing was done here for a while" in browser.get(second.url).content.decode()
    browser.post(second.url, {"username": "a.fenwick", "password": PASSWORD})
    assert browser.cookies[name].value != brought, "a sign-in never goes on under the key of the one before"


@pytest.mark.django_db
def test_what_was_sent_after_the_end_is_not_saved_and_the_page_says_so(browser, clock, fenwick):
    clock.shift(31 * MINUTE)
    answer = browser.post(reverse("core:own_account"), {"dim_light": "on"})
    assert "What was sent last is not saved" in browser.get(answer["Location"]).content.decode()
    fenwick.refresh_from_db()
    assert not fenwick.dim_light


@pytest.mark.django_db
def test_a_part_of_a_page_leads_the_whole_page_to_sign_in(browser, clock):
    clock.shift(31 * MINUTE)
    headers = {"HX-Request": "true", "HX-Current-URL": "http://testserver/?find=x"}
    answer = browser.get("/?find=xy", headers=headers)
    assert (answer.status_code, answer["HX-Redirect"]) == (200, "/sign-in/?next=/%3Ffind%3Dx")


@pytest.mark.django_db
def test_after_twelve_hours_of_work_one_signs_in_anew(browser, clock):
    for _ in range(35):
        clock.shift(20 * MINUTE)
        assert browser.get("/").status_code == 200
    clock.shift(20 * MINUTE)
    answer = browser.get("/")
    assert answer.status_code == 302
    assert "Signed out, as nothing" not in browser.get(answer["Location"]).content.decode()


@pytest.mark.django_db
def test_a_site_sets_its_own_times(fenwick, site, clock):
    for name, value in (("sign_in_idle_min", 5), ("sign_in_hours", 1)):
        make_site_setting(site=site, name=name, value=value, since=NOW - HOUR)
    client = Client()
    sign_in(client)
    for _ in range(14):
        clock.shift(4 * MINUTE)
        assert client.get("/").status_code == 200
    clock.shift(4 * MINUTE)
    assert client.get("/").status_code == 302
    sign_in(client)
    clock.shift(5 * MINUTE)
    assert client.get("/").status_code == 302


@pytest.mark.django_db
def test_the_second_proof_is_not_asked_again_on_a_quick_return_and_is_after_the_longest_time(fenwick, clock):
    set_up(user=fenwick, salt="5a" * 32, code=shown("5a" * 32), at=NOW)
    clock.shift(MINUTE)
    client = Client()
    sign_in(client)
    client.post(reverse("core:second_step"), {"code": shown("5a" * 32)})
    clock.shift(31 * MINUTE)
    assert client.get("/").status_code == 302
    assert sign_in(client, password="not this one").status_code == 200
    assert sign_in(Client())["Location"] == reverse("core:second_step")  # another browser has no way round
    assert sign_in(client)["Location"] == "/review/"
    clock.shift(31 * MINUTE)
    assert client.get("/").status_code == 302
    clock.shift(11 * HOUR)
    assert sign_in(client)["Location"] == reverse("core:second_step")
    assert TrailEntry.objects.filter(action="signed in").count() == 2


@pytest.mark.django_db
def test_a_quick_return_is_for_the_same_person_and_ends_with_signing_out(fenwick, site, browser, clock):
    moss = make_user(site=site, username="r.moss", with_password=True)
    set_up(user=moss, salt="3c" * 32, code=shown("3c" * 32), at=NOW)
    clock.shift(31 * MINUTE)
    browser.get("/")
    said = {"username": "r.moss", "password": PASSWORD}
    assert browser.post(reverse("core:sign_in"), said)["Location"] == reverse("core:second_step")
    sign_in(browser)
    browser.post(reverse("core:sign_out"))
    assert 'value="a.fenwick"' not in browser.get(reverse("core:sign_in")).content.decode()


@pytest.mark.django_db
def test_an_action_costs_one_write_a_minute_and_none_between(browser, clock, django_assert_num_queries):
    address = reverse("core:own_account")
    browser.get(address)
    for queries in (4, 4):  # session, user, site, what waits in the inbox
        clock.shift(timedelta(seconds=20))
        with django_assert_num_queries(queries):
            browser.get(address)
    clock.shift(MINUTE)
    with django_assert_num_queries(7):  # and the session is written, with its savepoint
        browser.get(address)
