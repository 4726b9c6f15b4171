"""Calendars: read back by the library, right across a change of the clocks, secret, revocable, telling nothing."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from icalendar import Calendar

from programme.booking.feeds import calendar_text
from programme.booking.models import CalendarFeed
from programme.booking.queries.feeds import Entry
from programme.booking.services import feeds
from programme.core.models import TrailEntry
from tests import factories
from tests.factories import NOW, TODAY, make_booking, make_chair, make_patient

LONDON = ZoneInfo("Europe/London")


def events(text):
    calendar = Calendar.from_ical(text)
    assert calendar.errors == []
    assert (calendar["version"], bool(calendar["prodid"])) == ("2.0", True)  # RFC 5545 3.6: both are required
    assert all(not event.errors for event in calendar.walk("VEVENT"))
    return calendar.walk("VEVENT")


def written(*days, zone=LONDON, starts=time(9), ends=time(15, 30)):
    entries = [Entry(f"uid-{day}", day, starts, ends, 0, "Appointment") for day in days]
    return calendar_text(entries, zone=zone, made_at=NOW)


@pytest.mark.parametrize(
    ("zone", "day", "utc_hour"),
    [
        # Summer Time Order 2002 (UK): last Sundays of March and October, 29 March and 25 October 2026.
        ("Europe/London", date(2026, 3, 27), 9),
        ("Europe/London", date(2026, 3, 30), 8),
        ("Europe/London", date(2026, 10, 23), 8),
        ("Europe/London", date(2026, 10, 26), 9),
        # Energy Policy Act 2005 (US), section 110: from the second Sunday in March, in 2026 8 March.
        ("America/New_York", date(2026, 3, 6), 14),
        ("America/New_York", date(2026, 3, 9), 13),
    ],
)
def test_nine_by_the_units_clock_is_nine_on_both_sides_of_the_change(zone, day, utc_hour):
    event = events(written(day, zone=ZoneInfo(zone)))[0]
    assert event.decoded("dtstart") == datetime(day.year, day.month, day.day, utc_hour, tzinfo=UTC)
    assert event.decoded("dtstart").astimezone(ZoneInfo(zone)).time() == time(9)
    assert event.decoded("dtend") - event.decoded("dtstart") == timedelta(hours=6, minutes=30)


def test_times_are_written_in_utc_and_no_time_zone_is_described():
    text = written(date(2026, 3, 30))
    assert b"DTSTART:20260330T080000Z" in text  # RFC 5545 3.3.5, form 2
    assert b"VTIMEZONE" not in text
    assert b"TZID" not in text


def test_lines_end_and_fold_as_the_standard_says():
    # RFC 5545 3.1: lines end with CRLF and are not longer than 75 octets without it.
    text = calendar_text(
        [Entry("u", TODAY, time(9), time(10), 0, "Chair by the window, " * 12)], zone=LONDON, made_at=NOW
    )  # fmt: skip
    assert text.endswith(b"\r\n")
    assert b"\n" not in text.replace(b"\r\n", b"")
    assert max(len(line) for line in text.split(b"\r\n")) <= 75
    assert events(text)[0]["summary"] == "Chair by the window, " * 12


def test_a_calendar_without_a_place_is_still_one():
    assert events(calendar_text([], zone=LONDON, made_at=NOW)) == []


# Addresses


@pytest.fixture
def ada(site):
    return make_patient("HEX77", site=site, family_name="Larkspur", given_name="Ada")


def give_out(by, **of):
    return feeds.make_feed(actor=by, at=NOW, **of)[1]


def read(secret):
    return Client().get(f"/calendar/{secret}.ics")


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_a_persons_calendar_tells_when_and_nothing_else(ada, site, coordinator):
    chair = make_chair(site)
    make_booking(ada, chair, on=date(2026, 6, 8))
    make_booking(ada, chair, on=date(2026, 6, 9), state="cancelled", ended_reason="asked")
    make_booking(make_patient("R2", site=site), chair, on=date(2026, 6, 10))
    answer = read(give_out(coordinator, patient=ada))
    assert (answer.status_code, answer["Content-Type"]) == (200, "text/calendar; charset=utf-8")
    assert answer["Cache-Control"] == "no-store"
    found = events(answer.content)
    assert [event.decoded("dtstart") for event in found] == [datetime(2026, 6, 8, 8, tzinfo=UTC)]
    said = answer.content.decode().casefold()
    for word in ("larkspur", "ada", "hex77", "sickle", "exchange", "transfusion", "blood", "saltmarsh", "nurse"):
        assert word not in said


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_a_chairs_calendar_has_everybody_without_a_name(ada, site, coordinator):
    chair = make_chair(site)
    make_booking(ada, chair, on=date(2026, 6, 8))
    make_booking(make_patient("R2", site=site, family_name="Sedge"), chair, on=date(2026, 6, 9))
    answer = read(give_out(coordinator, chair=chair))
    assert [str(event["summary"]) for event in events(answer.content)] == ["Taken"] * 2
    assert b"Larkspur" not in answer.content
    assert b"Sedge" not in answer.content


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_a_chair_stays_taken_once_the_person_came_and_is_free_where_they_did_not(ada, site, coordinator):
    chair = make_chair(site)
    booked = make_booking(ada, chair, on=TODAY)
    secrets = [give_out(coordinator, chair=chair), give_out(coordinator, patient=ada)]
    for state, places in (("booked", 1), ("confirmed", 1), ("came", 1), ("missed", 0)):
        type(booked).objects.update(state=state)
        assert [len(events(read(secret).content)) for secret in secrets] == [places, places]


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_a_place_keeps_its_identifier_and_counts_its_changes(ada, site, coordinator):
    booking = make_booking(ada, make_chair(site))
    secret = give_out(coordinator, patient=ada)
    first = events(read(secret).content)[0]
    booking.state = "confirmed"
    booking.save_changes(["state"])
    second = events(read(secret).content)[0]
    assert first["uid"] == second["uid"]
    assert (first["sequence"], second["sequence"]) == (0, 1)


@pytest.mark.django_db
def test_a_revoked_address_is_as_unknown_as_one_never_given_out(ada, coordinator):
    secret = give_out(coordinator, patient=ada)
    feeds.revoke_feed(row=CalendarFeed.objects.get(), actor=coordinator, at=NOW)
    gone, never = read(secret), read("never-given-out")
    assert (
        (gone.status_code, gone.content) == (never.status_code, never.content) == (404, b"There is no such calendar.")
    )
    with pytest.raises(ValidationError, match="revoked already"):
        feeds.revoke_feed(row=CalendarFeed.objects.get(), actor=coordinator, at=NOW)


@pytest.mark.django_db
def test_only_a_digest_of_the_secret_is_kept(ada, coordinator):
    secret = give_out(coordinator, patient=ada)
    assert len(secret) >= 43  # 32 bytes
    kept = [CalendarFeed.objects.get().secret_digest, str(TrailEntry.objects.get().after)]
    assert all(secret not in text for text in kept)


@pytest.mark.django_db
def test_an_address_is_of_one_chair_or_person_of_the_own_unit(ada, site, other_site, coordinator):
    for of in ({}, {"chair": make_chair(site), "patient": ada}):
        with pytest.raises(ValidationError, match="Choose one chair"):
            give_out(coordinator, **of)
    with pytest.raises(ValidationError, match="another unit"):
        give_out(coordinator, chair=make_chair(other_site))
    assert not CalendarFeed.objects.exists()


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_the_page_shows_an_address_once_and_revokes_it(ada, site, coordinator_client):
    key = coordinator_client.get("/calendars/").context["page"].form["receipt"].value()
    shown = coordinator_client.post("/calendars/", {"receipt": key, "patient_ref": "HEX77"}, follow=True).text
    address = shown.partition("shown only now: http://testserver")[2].split(".ics")[0] + ".ics"
    assert Client().get(address).status_code == 200
    again = coordinator_client.get("/calendars/")
    assert address not in again.text
    row = CalendarFeed.objects.get()
    coordinator_client.post(f"/calendars/{row.pk}/revoke/", {"receipt": f"{again.context['receipt']}-{row.pk}"})
    assert Client().get(address).status_code == 404


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_an_unknown_reference_is_said_beside_its_field(site, coordinator_client):
    key = coordinator_client.get("/calendars/").context["page"].form["receipt"].value()
    shown = coordinator_client.post("/calendars/", {"receipt": key, "patient_ref": "NOBODY"}).text
    assert "Nobody at this unit has the reference NOBODY" in shown
    assert not CalendarFeed.objects.exists()


@pytest.mark.django_db
def test_a_nurse_gives_out_no_address(site, nurse):
    client = factories.make_user(role="nurse", site=site, username="n2")
    browser = Client()
    browser.force_login(client)
    assert browser.get("/calendars/").status_code == 403


def test_an_address_ends_after_a_year_and_the_page_says_when(site, coordinator, coordinator_client, frozen_day):
    row, secret = feeds.make_feed(chair=make_chair(site), actor=coordinator, at=NOW)
    assert Client().get(f"/calendar/{secret}.ics").status_code == 200
    assert "can be read until 2 Jun 2027" in coordinator_client.get("/calendars/").text
    CalendarFeed.objects.filter(pk=row.pk).update(made_at=NOW - timedelta(days=366))
    assert Client().get(f"/calendar/{secret}.ics").status_code == 404
    assert "ended 1 Jun 2026; give out a new one" in coordinator_client.get("/calendars/").text
