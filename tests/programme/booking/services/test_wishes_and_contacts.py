"""Wishes, days away, tries to reach, the way to the consultant, and the waiting list."""

from datetime import date, time, timedelta

import pytest
from django.core.exceptions import ValidationError

from programme.booking.models import Contact, Wishes
from programme.booking.queries.contacts import read_contacts
from programme.booking.services import contacts, wishes
from programme.core import trail
from programme.core.models import EditedMeanwhile, TrailEntry
from tests import factories
from tests.factories import NOW, TODAY, make_booking, make_chair, make_open_week, make_patient, make_standing

pytestmark = pytest.mark.django_db
THURSDAY = date(2026, 5, 28)


@pytest.fixture
def fit(site):
    make_open_week(site)
    return factories.make_fit_in_force(site)


def person(ref, site, fit, **fields):
    patient = make_patient(ref, site=site, **fields)
    factories.make_exchange_session(patient)
    make_standing(patient, fit)
    return patient


@pytest.fixture
def ada(site, fit):
    return person("R1", site, fit, family_name="Larkspur")


def missed(patient, chair, on=THURSDAY):
    return make_booking(patient, chair, on=on, state="missed")


def test_wishes_are_made_then_changed_and_both_stand_in_the_trail(ada, nurse):
    version = ada.data_version
    first = wishes.set_wishes(patient=ada, version=0, weekdays=[3, 1, 1], actor=nurse, at=NOW)
    assert first.weekdays == "1,3"
    wishes.set_wishes(patient=ada, version=1, earliest=time(10), actor=nurse, at=NOW)
    row = Wishes.objects.get()
    assert (row.weekdays, row.earliest, row.version) == ("", time(10), 2)
    entries = list(TrailEntry.objects.order_by("number"))
    assert [(entry.before or {}).get("weekdays") for entry in entries] == [None, "1,3"]
    assert trail.faults(TrailEntry.objects.all()) == []
    ada.refresh_from_db()
    assert ada.data_version == version  # nothing clinical changed


def test_wishes_opened_at_an_older_version_are_not_saved(ada, nurse):
    wishes.set_wishes(patient=ada, version=0, travel="needs transport", actor=nurse, at=NOW)
    with pytest.raises(EditedMeanwhile):
        wishes.set_wishes(patient=ada, version=0, travel="comes alone", actor=nurse, at=NOW)
    assert Wishes.objects.get().travel == "needs transport"


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"earliest": time(12), "latest_end": time(11)}, "latest end comes after the earliest start"),
        ({"weekdays": [7]}, "0 for Monday to 6 for Sunday"),
    ],
)
def test_wishes_that_cannot_be_kept_are_refused(ada, nurse, given, words):
    with pytest.raises(ValidationError, match=words):
        wishes.set_wishes(patient=ada, version=0, actor=nurse, at=NOW, **given)
    assert not Wishes.objects.exists()
    assert not TrailEntry.objects.exists()


@pytest.mark.parametrize(
    ("since", "until", "words"),
    [
        (date(2026, 6, 9), date(2026, 6, 8), "comes before the first"),
        (date(2026, 5, 20), date(2026, 5, 29), "allowed is a last day from today, Mon 1 Jun 2026"),
    ],
)
def test_days_away_that_cannot_be_are_refused(ada, nurse, since, until, words):
    with pytest.raises(ValidationError, match=words):
        wishes.add_away(patient=ada, since=since, until=until, actor=nurse, at=NOW)
    assert not ada.away.exists()


def test_days_away_are_withdrawn_with_a_reason_and_stay(ada, nurse):
    row = wishes.add_away(patient=ada, since=TODAY, until=TODAY, words="school", actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="Say why"):
        wishes.withdraw_away(row=row, version=1, reason=" ", actor=nurse, at=NOW)
    wishes.withdraw_away(row=row, version=1, reason="trip is off", actor=nurse, at=NOW)
    row.refresh_from_db()
    assert (row.words, row.withdrawn_reason) == ("school", "trip is off")


def reach(site):
    return read_contacts(site, NOW).to_reach


def test_somebody_who_did_not_come_has_to_be_reached_until_a_place_stands(ada, site, fit):
    chair = make_chair(site)
    assert reach(site) == ()
    missed(ada, chair)
    assert [(one.name, one.tries, one.is_due) for one in reach(site)] == [(ada.shown_name, 0, True)]
    make_booking(ada, chair, on=date(2026, 6, 8))
    assert reach(site) == ()


def test_a_try_counts_and_asks_again_after_the_sites_wait(ada, site, nurse):
    missed(ada, make_chair(site))
    contacts.log_contact(patient=ada, outcome="left_word", actor=nurse, at=NOW)
    one = reach(site)[0]
    # The setting contact_every_days is 1 unless the site says otherwise.
    assert (one.tries, one.last_outcome, one.next_try_on) == (1, "left word", TODAY + timedelta(days=1))
    assert not one.is_due


def test_who_is_reached_has_no_next_try_of_their_own(ada, site, nurse):
    row = contacts.log_contact(patient=ada, outcome="reached", words="comes on Monday", actor=nurse, at=NOW)
    assert row.next_try_on is None
    assert TrailEntry.objects.get().after["words"] == "comes on Monday"


@pytest.mark.parametrize(
    ("given", "words"),
    [({"outcome": "shouted"}, "not a valid choice"), ({"outcome": "tried", "next_try_on": THURSDAY}, "has been")],
)
def test_a_try_that_cannot_be_is_refused(ada, nurse, given, words):
    with pytest.raises(ValidationError, match=words):
        contacts.log_contact(patient=ada, actor=nurse, at=NOW, **given)
    assert not Contact.objects.exists()


@pytest.mark.parametrize(("days", "escalated"), [(2, False), (3, True), (4, True)])
def test_a_missed_visit_is_the_consultants_too_after_the_sites_days(ada, site, days, escalated):
    # The setting escalate_after_days is 3 unless the site says otherwise.
    missed(ada, make_chair(site), on=TODAY - timedelta(days=days))
    assert reach(site)[0].is_escalated is escalated


@pytest.mark.parametrize(("born", "child"), [(date(2008, 6, 1), False), (date(2008, 6, 2), True)])
def test_a_child_is_not_brought_until_the_day_of_being_eighteen(site, fit, born, child):
    missed(person("R2", site, fit, birth_date=born), make_chair(site))
    assert reach(site)[0].is_child is child


def test_who_waits_is_shown_an_earlier_place_and_only_one_within_their_days(ada, site, nurse):
    chair = make_chair(site)
    make_booking(ada, chair, on=date(2026, 6, 10))
    row = wishes.wait(patient=ada, actor=nurse, at=NOW)
    one = read_contacts(site, NOW).waiting[0]
    assert one.booked_on == date(2026, 6, 10)
    assert TODAY <= one.earlier.place.on < date(2026, 6, 10)
    wishes.stop_waiting(row=row, version=1, reason="has work", actor=nurse, at=NOW)
    assert read_contacts(site, NOW).waiting == ()
    wishes.wait(patient=ada, not_before=date(2026, 6, 10), actor=nurse, at=NOW)
    assert read_contacts(site, NOW).waiting[0].earlier is None


def test_somebody_waits_once(ada, nurse):
    wishes.wait(patient=ada, actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="waits for an earlier place already"):
        wishes.wait(patient=ada, actor=nurse, at=NOW)


@pytest.mark.parametrize("people", [1, 3])
def test_the_page_asks_the_same_for_any_number(site, fit, nurse, people, django_assert_num_queries):
    chair = make_chair(site)
    for n in range(people):
        patient = person(f"R{n}", site, fit)
        missed(patient, chair, on=THURSDAY - timedelta(days=n))
        wishes.wait(patient=patient, actor=nurse, at=NOW)
    with django_assert_num_queries(20):
        read_contacts(site, NOW)
