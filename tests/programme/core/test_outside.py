"""The account with a provider that signs somebody in: linked, entered, taken away."""

from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from programme.core import outside
from programme.core.models import OutsideAccount, TrailEntry, User
from tests.factories import NOW, PASSWORD, make_user
from tests.openid_walk import asked, at_provider, is_in, said_on, walk

pytestmark = [pytest.mark.django_db, pytest.mark.either_database, pytest.mark.usefixtures("named")]


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=True) as traveller:
        yield traveller


# By oneself


@pytest.fixture
def moss(site):
    return make_user(site=site, username="r.moss", full_name="R. Moss", with_password=True)


def by_password(name="r.moss"):
    client = Client()
    client.post(reverse("core:sign_in"), {"username": name, "password": PASSWORD})
    assert is_in(client)
    return client


def test_one_links_the_own_account_with_the_password_and_comes_in_by_it(moss, provider):
    client = by_password()
    assert walk(client)["Location"] == reverse("core:own_outside_account")
    assert not OutsideAccount.objects.exists()  # not before the password
    page = client.post(reverse("core:own_outside_account"), {"password": "wrong"})
    assert page.status_code == 422
    assert not OutsideAccount.objects.exists()
    client.post(reverse("core:own_outside_account"), {"password": PASSWORD})
    row = OutsideAccount.objects.get()
    assert (row.user, row.issuer, row.subject) == (moss, provider.issuer, provider.subject)
    entry = TrailEntry.objects.get(action=outside.LINKED)
    assert (entry.actor, entry.row_key, entry.after["account"]) == (moss, moss.pk, provider.subject)
    other = Client()
    walk(other)
    assert is_in(other)


def test_what_was_proven_is_linked_within_ten_minutes(moss, provider, clock):
    client = by_password()
    walk(client)
    clock.shift(timedelta(minutes=10))
    page = client.post(reverse("core:own_outside_account"), {"password": PASSWORD})
    assert "Sign in there first" in page.content.decode()
    assert not OutsideAccount.objects.exists()


def test_an_account_that_signs_somebody_in_is_not_linked_again(linked, moss):
    client = by_password()
    walk(client)
    page = client.post(reverse("core:own_outside_account"), {"password": PASSWORD}).content.decode()
    assert "signs somebody in here already" in page
    assert OutsideAccount.objects.get().user == linked


def test_what_was_begun_by_one_is_not_linked_to_another(moss, linked, provider):
    provider.subject = "of-moss"
    client = by_password()
    way_back = at_provider(asked(client))
    kept = {key: value for key, value in client.session.items() if key.startswith("_state_")}
    client.force_login(linked)
    session = client.session
    session.update(kept)
    session.save()
    answer = client.get(way_back, follow=True)
    assert "no longer is. Begin again." in answer.content.decode()
    assert OutsideAccount.objects.get().user == linked


def test_taking_the_own_account_away_ends_what_was_signed_in_elsewhere(linked, provider):
    other, client = Client(), by_password("a.fenwick")
    walk(other)
    client.post(reverse("core:own_outside_account"), {"password": PASSWORD})
    assert not OutsideAccount.objects.exists()
    assert not is_in(other)
    assert is_in(client)
    assert TrailEntry.objects.get(action=outside.TAKEN_AWAY).before["account"] == provider.subject
    assert "signs nobody in here" in said_on(other, walk(other))


@pytest.fixture
def admin(site):
    make_user(site=site, username="d.hallam", role="administrator", with_password=True)
    return by_password("d.hallam")


def enter(admin, user, subject, reason="shown on their badge"):
    version = User.objects.get(pk=user.pk).version
    given = {"receipt": f"{subject}-{version}", "version": version, "subject": subject, "reason": reason}
    return admin.post(reverse("core:outside_account", args=[user.pk]), given)


def test_an_administrator_enters_the_account_with_a_reason(admin, moss, provider):
    assert enter(admin, moss, provider.subject, reason="").status_code == 422
    assert enter(admin, moss, provider.subject).status_code == 302
    entry = TrailEntry.objects.get(action=outside.LINKED)
    assert (entry.row_key, entry.why, entry.actor.username) == (moss.pk, "shown on their badge", "d.hallam")
    client = Client()
    walk(client)
    assert is_in(client)
    page = admin.get(reverse("core:user", args=[moss.pk])).content.decode()
    assert f'value="{provider.subject}"' in page


@pytest.mark.parametrize("subject", ["", "another-one"])
def test_another_account_or_none_ends_every_sign_in(admin, linked, subject):
    client = Client()
    walk(client)
    enter(admin, linked, subject)
    assert not is_in(client)
    assert [row.subject for row in OutsideAccount.objects.all()] == ([subject] if subject else [])


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        ("8f1c-0042", "signs somebody in here already"),
        ("Å", "letters, digits and signs of ASCII"),
        ("", "Nothing is different."),
    ],
)
def test_an_account_that_cannot_be_entered_is_refused_in_words(admin, linked, moss, subject, words):
    page = enter(admin, moss, subject)
    assert page.status_code == 422
    assert words in page.content.decode()
    assert OutsideAccount.objects.get().user == linked


def test_an_administrator_enters_nothing_for_themselves_nor_over_what_another_changed(admin, moss):
    hallam = User.objects.get(username="d.hallam")
    assert "Link your own account under Account." in enter(admin, hallam, "mine").content.decode()
    User.objects.filter(pk=moss.pk).update(version=7)
    given = {"receipt": "late", "version": 1, "subject": "x", "reason": "r"}
    page = admin.post(reverse("core:outside_account", args=[moss.pk]), given)
    assert "changed by someone else" in page.content.decode()
    assert not OutsideAccount.objects.exists()


def test_pages_ask_one_query_more_and_the_sign_in_page_none_of_the_network(
    admin, moss, provider, django_assert_num_queries, settings
):
    with django_assert_num_queries(6):  # session, who is signed in, site, user, what the trail says, account
        admin.get(reverse("core:user", args=[moss.pk]))
    Client().get("/sign-in/")
    assert provider.asked == []
