"""The pages of one person's wishes, days away, tries to reach and waiting."""

import re
from datetime import date

import pytest

from programme.booking.models import Away, Contact, Waiting, Wishes
from tests import factories
from tests.factories import make_antibody, make_booking, make_chair, make_open_week, make_patient, make_standing

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def ada(site):
    make_open_week(site)
    patient = make_patient("R1", site=site, family_name="Larkspur", birth_date=date(2015, 1, 1))
    factories.make_exchange_session(patient)
    make_standing(patient, factories.make_fit_in_force(site))
    return patient


def send(client, path, **sent):
    """Open the form, then send it twice: it counts once."""
    form = client.get(path).context["page"].form
    sent |= {"receipt": form["receipt"].value(), "version": form["version"].value() if "version" in form.fields else ""}
    answers = [client.post(path, sent, follow=True) for _ in range(2)]
    return answers[0].text


def test_wishes_are_kept_and_shown(ada, nurse_client):
    shown = send(nurse_client, "/people/R1/suits/wishes/", weekdays=["0", "2"], earliest="10:00", travel="by train")
    assert Wishes.objects.get().weekdays == "0,2"
    assert "Monday, Wednesday suit best, not before 10:00" in shown
    form = nurse_client.get("/people/R1/suits/wishes/").context["page"].form
    assert form["weekdays"].value() == [0, 2]


def test_days_away_are_added_and_withdrawn(ada, nurse_client):
    days = {"since": "2026-06-15", "until": "2026-06-19", "cannot": "cannot", "words": "examinations"}
    assert "examinations" in send(nurse_client, "/people/R1/away/add/", **days)
    row = Away.objects.get()
    shown = send(nurse_client, f"/people/R1/away/{row.pk}/", reason="moved")
    assert "No days away ahead" in shown


def test_a_place_that_is_too_soon_for_its_blood_says_so_and_can_be_chosen(ada, site, coordinator_client):
    """Settings of the site: 4 working days, 10 with an antibody. By hand from Monday 1 June 2026, with no bank holiday
    until the end of June: in time are places from Friday 5 June, with an antibody from Monday 15 June."""
    make_chair(site)
    assert flagged(coordinator_client) == {"Tue 2", "Wed 3", "Thu 4"}
    make_antibody(ada, name="anti-Jk(b)")
    with_antibody = {"Tue 2", "Wed 3", "Thu 4", "Fri 5", "Mon 8", "Tue 9", "Wed 10", "Thu 11", "Fri 12"}
    assert flagged(coordinator_client) == with_antibody


def flagged(client):
    answer = client.get("/people/R1/places/")
    page = answer.context["page"]
    found = [one for one in (*page.ranked, *page.others) if one.blood_by is not None]
    assert all(f"{one.blood_words}</b>" in answer.text for one in found)
    return {f"{one.place.on:%a} {one.place.on.day}" for one in found}


def test_the_page_asks_why_a_second_exchange_comes_so_soon_and_keeps_what_was_typed(ada, site, coordinator_client):
    chair = make_chair(site)
    make_booking(ada, chair, on=date(2026, 6, 8))
    address = f"/people/{ada.patient_ref}/places/"
    page = coordinator_client.get(address).content.decode()
    assert "Why a second exchange so soon" in page
    (key,) = set(re.findall(r'name="receipt" value="([^"]+)"', page))
    asked = {"receipt": key, "place": f"{chair.pk}|2026-06-05|1"}
    refused = coordinator_client.post(address, asked).content.decode()
    assert "Fri 5 Jun 2026 is 3 days before Mon 8 Jun 2026" in refused
    assert 'aria-describedby="second_fault"' in refused
    (key,) = set(re.findall(r'name="receipt" value="([^"]+)"', refused))
    made = coordinator_client.post(address, {**asked, "receipt": key, "second_reason": "two sessions planned"})
    assert made.status_code == 302
    assert ada.bookings.count() == 2


def test_nobody_is_asked_about_a_second_exchange_who_has_no_place(ada, site, coordinator_client):
    make_chair(site)
    assert "Why a second" not in coordinator_client.get(f"/people/{ada.patient_ref}/places/").content.decode()


def test_days_away_over_a_place_are_said_at_once_and_stay_in_the_diary(ada, site, nurse_client):
    make_open_week(site)
    booked = make_booking(ada, make_chair(site), on=date(2026, 6, 16))
    make_booking(ada, booked.chair, on=date(2026, 6, 23))
    days = {"since": "2026-06-15", "until": "2026-06-19", "words": "examinations"}
    shown = send(nurse_client, "/people/R1/away/add/", **days, cannot="rather")
    assert "when they cannot come" not in shown
    shown = send(nurse_client, "/people/R1/away/add/", **days, cannot="cannot")
    assert "They are booked on Tue 16 Jun 2026, when they cannot come: move or cancel that place." in shown
    assert "they cannot come until Fri 19 Jun 2026: examinations" in nurse_client.get("/diary/").text
    shown = nurse_client.get(f"/people/R1/bookings/{booked.pk}/").text
    assert "This place cannot be kept: they cannot come until Fri 19 Jun 2026: examinations." in shown


def test_a_place_whose_session_was_cancelled_says_why(ada, site, nurse_client):
    booked = make_booking(ada, make_chair(site), on=date(2026, 5, 29))
    path = f"/people/R1/bookings/{booked.pk}/"
    planned = factories.make_planned_session(ada, on=date(2026, 5, 29), state="planned")
    assert "cancelled:" not in nurse_client.get(path).text
    type(planned).objects.filter(pk=planned.pk).update(state="cancelled", ended_reason="fever in the morning")
    assert "<dt>Its session</dt><dd>cancelled: fever in the morning</dd>" in nurse_client.get(path).text


def test_a_missed_child_is_on_the_page_with_the_prompt_and_the_try(ada, site, nurse_client):
    make_booking(ada, make_chair(site), on=date(2026, 5, 28), state="missed")
    shown = nurse_client.get("/contacts/").text
    assert "Child not brought" in shown
    assert "follow the local policy" in shown
    send(nurse_client, "/people/R1/contacts/add/", outcome="left_word", words="with the aunt")
    assert Contact.objects.get().words == "with the aunt"
    assert "left word" in nurse_client.get("/contacts/").text


def test_somebody_is_put_on_the_waiting_list_and_taken_off(ada, nurse_client):
    send(nurse_client, "/people/R1/waiting/add/", words="any morning")
    assert "any morning" in nurse_client.get("/contacts/").text
    send(nurse_client, f"/people/R1/waiting/{Waiting.objects.get().pk}/", reason="has work")
    assert "Nobody waits" in nurse_client.get("/contacts/").text


def test_a_refusal_keeps_what_was_typed(ada, nurse_client):
    shown = send(
        nurse_client, "/people/R1/away/add/", since="2026-06-09", until="2026-06-08", cannot="rather", words="a wedding"
    )
    assert "comes before the first" in shown
    assert "a wedding" in shown
    assert not Away.objects.exists()
