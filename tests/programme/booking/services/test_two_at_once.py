"""Two coordinators at the same moment, over real connections, on both databases: one gets the place."""

from datetime import date, time

import pytest
from django.core.exceptions import ValidationError

from programme.booking.models import Booking, Occupied, Proposal, StaffLimit
from programme.booking.numeric.reasons import Reasons
from programme.booking.services import booking as bookings
from programme.booking.services import proposals
from programme.booking.services.accepting import accept
from programme.core import trail
from programme.core.models import TrailEntry
from tests import factories
from tests.at_once import at_once
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
    """Book every (patient, chair, user); return who got a place and what others were told."""

    def book(patient, chair, user):
        bookings.book(patient=patient, chair_pk=chair.pk, on=MONDAY, slot=1, actor=user, at=NOW)
        return patient.pk

    got, told = at_once(book, asked)
    return got, [" ".join(words) for words in told]


def accept_at_once(row, asked):
    """Accept parts of a proposal, (references, user) each; return who got them, and what others were told."""

    def take(refs, user):
        given = dict.fromkeys(refs, Reasons())
        accept(proposal=Proposal.objects.get(pk=row.pk), version=row.version, reasons=given, actor=user, at=NOW)
        return refs

    return at_once(take, asked)


@pytest.fixture
def proposal(unit):
    """All four are placed, on two chairs."""
    site, _, users = unit
    for _ in range(2):
        make_chair(site)
    row = proposals.ask(site=site, first=MONDAY, weeks=2, moves="nobody", actor=users[0], at=NOW)
    proposals.make(key=row.pk, at=NOW)
    row.refresh_from_db()
    assert sorted(one["patient_ref"] for one in row.found["placed"]) == ["R0", "R1", "R2", "R3"]
    return row


def test_of_two_who_accept_one_proposal_at_once_one_books_and_the_other_is_told(unit, proposal):
    _, _, users = unit
    everyone = ["R0", "R1", "R2", "R3"]
    got, told = accept_at_once(proposal, [(everyone, users[0]), (everyone, users[1])])
    assert got == [everyone]
    assert told[0][0] == "Nothing was booked."
    assert len(told[0]) == 5
    assert all("was accepted meanwhile, for " in words for words in told[0][1:])
    assert Booking.objects.count() == Occupied.objects.count() == 4
    assert set(Booking.objects.values_list("made_by", flat=True)) <= {users[0].pk, users[1].pk}
    assert len(set(Booking.objects.values_list("made_by", flat=True))) == 1
    assert trail.faults(TrailEntry.objects.all()) == []


def test_of_two_who_accept_different_parts_at_once_one_books_and_the_other_looks_again(unit, proposal):
    _, _, users = unit
    got, told = accept_at_once(proposal, [(["R0", "R1"], users[0]), (["R2", "R3"], users[1])])
    assert (len(got), len(told)) == (1, 1)
    assert "changed by someone else after you opened it. Nothing of yours was saved" in told[0][0]
    assert sorted(Booking.objects.values_list("patient__patient_ref", flat=True)) == got[0]
    proposal.refresh_from_db()
    assert sorted(proposal.accepted) == got[0]


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
    assert all("Staff can run 2 exchanges at once" in words for words in told)


def test_of_four_at_once_those_who_overlap_are_held_to_the_staff_and_the_others_are_not(unit):
    """Two in the morning, one all day, one in the afternoon, with two nurses: whoever is refused, three at once never
    are, and nobody is refused without need."""
    site, people, users = unit
    StaffLimit.objects.create(site=site, since=date(2026, 1, 1), most=2)
    hours = [(time(8), time(13)), (time(8), time(13)), (time(8), time(16)), (time(13), time(18))]
    chairs = [make_chair(site, starts=starts, ends=ends) for starts, ends in hours]
    got, told = all_at_once(list(zip(people, chairs, users, strict=True)))
    rows = list(Booking.objects.values_list("starts", "ends"))
    assert max(sum(starts <= time(h) < ends for starts, ends in rows) for h in range(8, 19)) == 2
    assert (len(got), len(told)) == (3, 1)
    assert people[3].pk in got, "the afternoon never meets two others"
    assert "Staff can run 2 exchanges at once on Mon 8 Jun 2026; from 08:00" in told[0]


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
    with pytest.raises(ValidationError, match="taken a moment ago"):
        bookings.occupy(other, [1])
