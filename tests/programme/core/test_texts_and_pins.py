"""Texts of the unit, and the PIN that signs a second check."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from programme.core.models import SiteText, TrailEntry
from programme.core.numeric.text_table import DEFAULT_TEXTS, LONGEST_TEXT, TEXT_TABLE
from programme.core.receipts import new_key
from programme.core.services import TRIES, change_text, prove, set_pin
from programme.core.settings_of_site import site_texts
from tests.factories import NOW, PASSWORD, make_user

pytestmark = pytest.mark.django_db
PIN = "480516"


@pytest.fixture
def second(site):
    user = make_user(site=site, username="rowan", full_name="Rowan Marsh", with_password=True)
    set_pin(user=user, pin=PIN, at=NOW)
    return user


def tries(actor, username="rowan", secret="135790", at=NOW, **more):
    asked = {"username": username, "secret": secret, "site": actor.site, "actor": actor, "at": at}
    return prove(**asked, instead="sign in yourself", **more)


def test_every_text_has_words_and_fits_its_row():
    assert all(len(row.default) <= LONGEST_TEXT and row.words for row in TEXT_TABLE)
    assert DEFAULT_TEXTS["first_actions"].startswith("Stop the transfusion")


def test_a_site_reads_its_own_wording_and_the_default_until_then(site, other_site, consultant):
    change_text(site=site, name="leaflet", text="Ring us.", was=0, reason="shorter", actor=consultant, at=NOW)
    later = NOW + timedelta(hours=1)
    assert site_texts(site, later)["leaflet"] == "Ring us."
    assert site_texts(site, NOW - timedelta(hours=1))["leaflet"] == DEFAULT_TEXTS["leaflet"]
    assert site_texts(other_site, later)["leaflet"] == DEFAULT_TEXTS["leaflet"]
    entry = TrailEntry.objects.get(action="change text")
    assert (entry.why, entry.actor, entry.after["text"]) == ("shorter", consultant, "Ring us.")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": "nothing"}, "is no text; known are"),
        ({"reason": " "}, "Say why"),
        ({"was": 7}, "Somebody changed it meanwhile"),
        ({"text": DEFAULT_TEXTS["leaflet"] + "\r\n"}, "in force already"),
        ({"text": "x" * (LONGEST_TEXT + 1)}, "allowed are up to 4000"),
    ],
)
def test_a_text_is_refused_with_what_is_wrong(site, consultant, change, words):
    said = {"site": site, "name": "leaflet", "text": "Ring us.", "was": 0, "reason": "r", "actor": consultant}
    with pytest.raises(ValidationError, match=words):
        change_text(**(said | change), at=NOW)
    assert not SiteText.objects.exists()


def test_a_consultant_words_a_text_and_its_history_stays_on_the_page(consultant_client, nurse_client, frozen_day):
    address = reverse("worklist:text", args=["whom_to_call"])
    page = consultant_client.get(address)
    version = page.context["page"].forms[0]["version"].value()
    sent = {"text": "Ring the ward.\r\nAny hour.", "reason": "night cover", "version": version, "receipt": new_key()}
    assert consultant_client.post(address, sent).status_code == 302
    row = SiteText.objects.get()
    assert row.text == "Ring the ward.\nAny hour."
    again = {"text": "Ring the desk.", "reason": "new desk", "version": str(row.pk), "receipt": new_key()}
    assert consultant_client.post(address, again).status_code == 302
    shown = nurse_client.get(reverse("worklist:texts")).content.decode()
    assert "Ring the desk." in shown
    assert "night cover" in shown
    assert nurse_client.get(address).status_code == 403
    stale = again | {"text": "Mine.", "receipt": new_key()}
    assert "Somebody changed it meanwhile" in consultant_client.post(address, stale).content.decode()


def test_the_settings_and_texts_pages_ask_a_fixed_number_of_queries(
    consultant_client, consultant, site, django_assert_num_queries
):
    for n in range(3):
        SiteText.objects.create(site=site, name="leaflet", text=f"{n}", since=NOW, by=consultant, reason="r")
        with django_assert_num_queries(5):  # session, user, site, texts, what waits in the inbox
            consultant_client.get(reverse("worklist:texts"))


# PIN


def test_own_pin_and_own_password_prove_a_person(nurse, second):
    assert tries(nurse, secret=PIN) == second
    assert tries(nurse, secret=PASSWORD) == second
    assert PIN not in second.checking_pin


@pytest.mark.parametrize("pin", ["12345", "1234567890123", "12a456", "111111", "123456", "987654", "", "\u0661" * 6])
def test_a_pin_that_is_too_easy_or_no_pin_is_refused(nurse, pin):
    with pytest.raises(ValidationError, match="PIN"):
        set_pin(user=nurse, pin=pin, at=NOW)
    assert nurse.checking_pin == ""


def test_a_wrong_pin_is_recorded_and_says_no_more_than_a_wrong_name(nurse, second):
    said = []
    for name in ("rowan", "nobody.here"):
        with pytest.raises(ValidationError) as refused:
            tries(nurse, username=name)
        said.append(refused.value.messages)
    assert said[0] == said[1]
    entries = TrailEntry.objects.filter(action="refused a name and PIN").order_by("number")
    assert [(e.actor, e.row_key, e.after) for e in entries] == [
        (nurse, second.pk, {"username": "rowan"}),
        (nurse, None, None),  # it may have been a PIN
    ]
    assert "135790" not in str([(e.after, e.why) for e in entries])


def test_after_five_wrong_pins_even_the_right_one_waits_a_quarter_of_an_hour(nurse, second):
    for _ in range(TRIES):
        with pytest.raises(ValidationError, match="do not fit together"):
            tries(nurse)
    with pytest.raises(ValidationError, match="5 wrong PINs within 15 min: sign in yourself, or wait"):
        tries(nurse, secret=PIN)
    with pytest.raises(ValidationError, match="5 wrong PINs"):
        tries(make_user(site=nurse.site, username="third"), secret=PIN, at=NOW + timedelta(minutes=14))
    assert tries(nurse, secret=PIN, at=NOW + timedelta(minutes=15)) == second


def test_nobody_guesses_pins_of_one_after_the_other(nurse, second):
    for n in range(TRIES):
        make_user(site=nurse.site, username=f"n{n}")
        with pytest.raises(ValidationError, match="do not fit together"):
            tries(nurse, username=f"n{n}")
    with pytest.raises(ValidationError, match="5 wrong PINs"):
        tries(nurse, secret=PIN)


def test_people_of_another_site_or_who_left_prove_nothing(nurse, nurse_elsewhere, second):
    set_pin(user=nurse_elsewhere, pin=PIN, at=NOW)
    with pytest.raises(ValidationError):
        tries(nurse, username=nurse_elsewhere.username, secret=PIN)
    second.is_active = False
    second.save()
    with pytest.raises(ValidationError):
        tries(nurse, secret=PIN)


def test_a_person_without_a_pin_is_not_proved_by_an_empty_one(nurse, site):
    make_user(site=site, username="newcomer")
    with pytest.raises(ValidationError):
        tries(nurse, username="newcomer", secret="")


def test_the_pin_is_set_on_the_own_account_with_the_password(client, site):
    user = make_user(site=site, username="own", with_password=True)
    client.force_login(user)
    address = reverse("core:change_pin")
    wrong = client.post(address, {"password": "no", "pin": PIN, "again": PIN})
    assert "The password is not this one" in wrong.content.decode()
    differs = client.post(address, {"password": PASSWORD, "pin": PIN, "again": "480517"})
    assert "The two PINs differ" in differs.content.decode()
    easy = client.post(address, {"password": PASSWORD, "pin": "111111", "again": "111111"})
    assert "too easy to guess" in easy.content.decode()
    assert client.post(address, {"password": PASSWORD, "pin": PIN, "again": PIN}).status_code == 302
    user.refresh_from_db()
    assert user.checking_pin
    assert TrailEntry.objects.filter(action="set own PIN", actor=user).count() == 1
