"""Places for the further days of a series of sessions, where one exchange could not reach its end target."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from patients.models import Patient
from programme.booking.models import Booking, Chair
from programme.booking.numeric.reasons import Reasons
from programme.booking.queries.person import read_places
from programme.booking.queries.placing import is_due, people_of
from programme.booking.queries.problem import places_within, read_problem
from programme.booking.services import booking as bookings
from programme.booking.services import moves
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from tests.factories import (
    NOW,
    TODAY,
    make_booking,
    make_chair,
    make_exchange_session,
    make_fit_in_force,
    make_open_week,
    make_patient,
    make_prescription,
    make_standing,
    suggestion_options,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
YESTERDAY, TOMORROW = TODAY - timedelta(days=1), TODAY + timedelta(days=1)
SERIES = {
    "series": [{"date": YESTERDAY.isoformat(), "units": 7}, {"date": TOMORROW.isoformat(), "units": 1}],
    "end_target_pct": 12.3,
}


@pytest.fixture
def chair(site) -> Chair:
    make_open_week(site)
    return make_chair(site)


@pytest.fixture
def ada(site, chair, consultant) -> Patient:
    """Exchanged yesterday by a plan that foresaw a further session; the shortest interval ends in two weeks."""
    patient = make_patient("R1", site=site, family_name="Larkspur")
    session = make_exchange_session(patient, on=YESTERDAY)
    make_prescription(session, signed_by=consultant, units=7, predicted=SERIES)
    best = YESTERDAY + timedelta(days=15)
    options = suggestion_options(earliest_date=best.isoformat())
    make_standing(patient, make_fit_in_force(site), next_date=best, latest_safe_date=best, options=options)
    return patient


def book(patient: Patient, chair: Chair, by: User, on: date) -> Booking:
    reasons = Reasons(second="second day of the series, agreed with Dr Marsh")
    return bookings.book(patient=patient, chair_pk=chair.pk, on=on, slot=1, actor=by, at=NOW, reasons=reasons)


def test_the_next_day_of_a_series_can_be_booked_and_moved_a_day_later(ada, chair, coordinator):
    made = book(ada, chair, coordinator, TOMORROW)
    later, _ = moves.move(
        booking=made, version=made.version, chair_pk=chair.pk, on=TOMORROW + timedelta(days=1), slot=1,
        ended_by="person", reason="her children", actor=coordinator, at=NOW,
    )  # fmt: skip
    assert (later.on, later.state) == (date(2026, 6, 3), "booked")


@pytest.mark.parametrize("why", ["one session does it", "the second was done, and recorded by hand"])
def test_outside_a_series_the_shortest_interval_holds(ada, chair, coordinator, why):
    if why == "one session does it":
        ada.exchange_sessions.get().prescriptions.update(predicted={"series": SERIES["series"][:1]})
    else:
        make_exchange_session(ada, on=TODAY)
    with pytest.raises(ValidationError, match="too early to be of use; allowed is from Mon 15 Jun"):
        book(ada, chair, coordinator, TOMORROW)


def test_whoever_books_sees_the_days_that_were_foreseen_and_whom_to_ask(ada, chair, coordinator_client):
    said = " ".join(coordinator_client.get(reverse("booking:places", args=["R1"])).content.decode().split())
    assert "2 sessions on consecutive open days are foreseen from <b>Sun 31 May</b> on: then <b>Tue 2 Jun</b>" in said
    assert "</b> with 1 unit. After each" in said
    assert "a prescriber decides from what is measured whether the next is still wanted; ask before booking it" in said
    assert "Useful from <b>Mon 15 Jun</b>" in said


def test_only_the_days_of_the_series_are_opened_and_nobody_is_proposed_them(ada, site, chair, coordinator):
    with pytest.raises(ValidationError, match="too early to be of use; allowed is from Mon 15 Jun"):
        book(ada, chair, coordinator, date(2026, 6, 10))  # eight days after the last that was foreseen
    page = read_places(ada, NOW)
    assert [one.place.on.day for one in page.in_series] == [2, 3, 4, 5, 8, 9]
    assert min(one.place.on for one in page.ranked) == date(2026, 6, 15)
    settings = site_settings(site, NOW)
    problem = read_problem(site, first=TODAY, weeks=4, now=NOW, settings=settings)
    assert min(place.on for place in places_within(problem, problem.due[0])) == date(2026, 6, 15)


def test_whoever_was_exchanged_today_needs_the_next_place_today(ada, chair, site):
    """The place of today stands until somebody says that they came; it keeps nobody off those to be placed."""
    make_booking(ada, chair, on=TODAY)
    (before,) = people_of(site, NOW, site_settings(site, NOW))
    ada.exchange_sessions.update(on=TODAY)
    (after,) = people_of(site, NOW, site_settings(site, NOW))
    assert [row.on for row in before.booked] == [TODAY]
    assert after.booked == ()
    assert (is_due(before, date(2026, 6, 30)), is_due(after, date(2026, 6, 30))) == (False, True)
