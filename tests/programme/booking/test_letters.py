"""Reminder letters: A4, the day and time in plain words, and nothing clinical, least of all on the outside."""

import re
import subprocess
from datetime import date

import pytest

from patients.models import Patient
from programme.booking.models import ClosedDay
from programme.core.services import change_text
from tests.factories import NOW, make_booking, make_chair, make_open_week, make_patient

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
CLINICAL = ("sickle", "exchange", "transfusion", "blood", "hbs", "haem", "ward", "nurse", "clinic", "r77", "chair")


@pytest.fixture
def booked(site, coordinator):
    patient = make_patient("R77", site=site, family_name="Larkspur", given_name="Ada")
    make_open_week(site)
    return make_booking(patient, make_chair(site), on=date(2026, 6, 8), made_by=coordinator)


def run(*command, paper):
    done = subprocess.run([*command, "-"], input=paper, capture_output=True, check=True)
    return done.stdout.decode()


def letter(client, booking):
    answer = client.get(f"/people/R77/bookings/{booking.pk}/reminder.pdf")
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    return answer.content


def pages(paper):
    """The words of each page, by poppler; the last piece is what follows the last page."""
    *found, rest = run("pdftotext", "-layout", "-", paper=paper).split("\f")
    assert rest == ""
    return [" ".join(page.split()) for page in found]


def test_a_letter_is_a4_with_an_outside_that_shows_the_name_alone(booked, nurse_client):
    paper = letter(nurse_client, booked)
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+) pts", run("pdfinfo", paper=paper))
    # ISO 216: A4 is 210 mm by 297 mm; a point of PDF is 1/72 inch.
    assert [float(part) for part in size.groups()] == pytest.approx([210 / 25.4 * 72, 297 / 25.4 * 72], abs=0.5)
    outside, inside = pages(paper)
    assert outside == "Ada Larkspur"
    assert "Monday 8 June 2026" in inside
    assert "09:00" in inside
    assert [word for word in CLINICAL if word in inside.casefold()] == []


def test_a_letter_says_what_the_unit_has_worded(booked, site, nurse_client, consultant):
    change_text(
        site=site, name="reminder", text="Ring the bell at the side door.", was=0, reason="new entrance",
        actor=consultant, at=NOW,
    )  # fmt: skip
    assert "Ring the bell at the side door." in pages(letter(nurse_client, booked))[1]


def test_a_place_that_cannot_be_kept_has_no_letter_and_says_why(booked, site, nurse_client):
    """A letter would call somebody to a unit that is closed."""
    ClosedDay.objects.create(site=site, on=booked.on, words="training")
    answer = nurse_client.get(f"/people/R77/bookings/{booked.pk}/reminder.pdf", follow=True)
    assert answer.redirect_chain[0][0] == f"/people/R77/bookings/{booked.pk}/"
    said = answer.text
    assert "No letter was written: this place cannot be kept, the unit is closed (training)." in said
    assert "This place cannot be kept: the unit is closed (training)." in said
    assert "Letter (PDF)" not in said


def test_somebody_who_left_the_programme_is_not_reminded(booked, nurse_client):
    Patient.objects.filter(pk=booked.patient_id).update(standing="left", left_because="died", standing_since=NOW.date())
    answer = nurse_client.get(f"/people/R77/bookings/{booked.pk}/reminder.pdf", follow=True)
    assert answer["Content-Type"].startswith("text/html")
    assert "No letter was written" in answer.content.decode()
    assert "no longer on the programme (left the programme since Mon 1 Jun 2026)" in answer.content.decode()


def test_there_is_no_letter_for_a_place_that_was_given_up(booked, nurse_client):
    booked.state, booked.ended_reason = "cancelled", "asked"
    booked.save_changes(["state", "ended_reason"])
    assert nurse_client.get(f"/people/R77/bookings/{booked.pk}/reminder.pdf").status_code == 404
