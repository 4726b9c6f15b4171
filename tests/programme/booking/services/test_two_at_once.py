"""Two coordinators at the same moment, over real connections, on both databases: one gets the place."""

import threading
from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from programme.booking.models import Booking, Occupied, StaffLimit
from programme.booking.services import booking as bookings
from programme.core import trail
from programme.core.models import TrailEntry
from tests import factories
from tests.factories import NOW, make_chair, make_open_week, make_patient, make_standing, make_user

pytestmark = pytest.mark.django_db(transaction=True)
MONDAY = date(2026, 6, 8)


@pytest.fixture
def unit(transactional_db):
    """A unit with four people who need a place, and four coordinators."""
    site = factories.make_site(name="Saltmarsh Day Unit")
    make_open_week(site)
    fit = factories.make_fit_in_force(site)
    people = [make_patient(f"R{n}", site=site) for n in range(4)]
    for patient in people:
        factories.make_exchange_session(patient)
        make_standing(patient, fit)
    users = [make_user(role="coordinator", site=site, username=f"coordinator.{n}") for n in range(4)]
    return site, people, users


def all_at_once(asked):
    """Book every (patient, chair, user) in a thread of its own; return who got a place and what others were told."""
    together, got, told, errors = threading.Barrier(len(asked), timeout=20), [], [], []

    def ask(patient, chair, user):
        try:
            together.wait()
            bookings.book(patient=patient, chair_pk=chair.pk, on=MONDAY, slot=1, actor=user, at=NOW)
            got.append(patient.pk)
        except ValidationError as error:
            told.append(" ".join(error.messages))
        except Exception as error:
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=ask, args=one) for one in asked]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert errors == []
    return got, told


def test_of_four_who_book_one_place_at_once_one_gets_it(unit):
    site, people, users = unit
    chair = make_chair(site)
    got, told = all_at_once([(patient, chair, user) for patient, user in zip(people, users, strict=True)])
    assert len(got) == 1
    assert told == ["This place was taken a moment ago. Nothing is free that day; choose another."] * 3
    assert (Booking.objects.count(), Occupied.objects.count(), TrailEntry.objects.count()) == (1, 1, 1)


def test_four_chairs_at_once_do_not_run_over_the_staff_of_the_day(unit):
    """The limit is no row that is unique: it holds because one booking after the other is made."""
    site, people, users = unit
    StaffLimit.objects.create(site=site, since=date(2026, 1, 1), most=2)
    chairs = [make_chair(site) for _ in range(4)]
    got, told = all_at_once(list(zip(people, chairs, users, strict=True)))
    assert (len(got), Booking.objects.count()) == (2, 2)
    assert all("Staff allow 2 exchanges" in words for words in told)


def test_one_person_booked_by_four_at_once_is_booked_once(unit):
    site, people, users = unit
    chairs = [make_chair(site) for _ in range(4)]
    got, told = all_at_once([(people[0], chair, user) for chair, user in zip(chairs, users, strict=True)])
    assert (len(got), len(told), Booking.objects.count()) == (1, 3, 1)
    assert trail.faults(TrailEntry.objects.all()) == []


def test_the_database_itself_refuses_a_slot_twice(unit):
    """Also where somebody came past the lock: the row of chair, day and slot is unique."""
    site, people, _ = unit
    chair = make_chair(site)
    factories.make_booking(people[0], chair)
    other = Booking(patient=people[1], chair=chair, on=MONDAY, starts=chair.slots.get().starts)
    other.ends, other.made_by, other.made_at = chair.slots.get().ends, people[0].bookings.get().made_by, NOW
    other.save()
    place = bookings.Place(chair.pk, chair.name, 1, other.starts, other.ends, MONDAY, (1,))
    with pytest.raises(ValidationError, match="taken a moment ago"):
        bookings.occupy(other, place)
