"""Whose record is past its time: only of those who left, by every contact that is recorded, and nothing is deleted."""

from datetime import date

import pytest

from patients.models import Consent, CrossmatchSample, Patient
from programme.booking.models import Contact
from programme.core.models import TrailEntry
from programme.custody.queries.kept import kept_page
from tests import factories
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
LONG_AGO = date(1990, 6, 4)


def make_left(site, ref="R1", **fields):
    values = {
        "with_measure": False,
        "standing": "left",
        "standing_since": LONG_AGO,
        "birth_date": date(1950, 1, 2),
        **fields,
    }
    return factories.make_patient(ref, site=site, **values)


def past(site):
    return [line.patient_ref for line in kept_page(site, NOW).past]


def test_who_left_long_ago_is_past_and_who_did_not_leave_never_is(site, other_site):
    make_left(site)
    make_left(site, "R2", standing="active")
    make_left(site, "R3", standing="paused")
    make_left(site, "R4", standing_since=date(2025, 1, 6))
    make_left(other_site, "R5")
    page = kept_page(site, NOW)
    assert [(line.patient_ref, line.kept.until) for line in page.past] == [("R1", date(1998, 6, 4))]
    assert page.others == 1


def test_red_cells_keep_a_record_for_thirty_years(site):
    patient = make_left(site)
    factories.make_exchange_session(patient, on=date(1996, 5, 30))
    [line] = kept_page(site, NOW).past
    assert line.kept.until < NOW.date()
    factories.make_other_transfusion(patient, on=date(1996, 5, 31))
    assert past(site) == ["R1"]
    factories.make_unit(factories.make_exchange_session(patient, on=date(1996, 6, 2)))
    assert past(site) == []


LATER = date(2024, 6, 3)
CONTACTS = {
    "result": lambda patient, by: factories.make_result(patient, on=LATER),
    "booking": lambda patient, by: factories.make_booking(
        patient, factories.make_chair(patient.site), on=LATER, state="came"
    ),
    "call": lambda patient, by: Contact.objects.create(patient=patient, at=NOW, by=by, outcome="reached"),
    "weight": lambda patient, by: factories.make_measure(patient, on=LATER),
    "sample": lambda patient, by: CrossmatchSample.objects.create(patient=patient, taken_at=NOW),
    "consent": lambda patient, by: Consent.objects.create(
        patient=patient, given_on=LATER, valid_until=date(2025, 6, 2)
    ),
    "sign": lambda patient, by: factories.make_haemolysis_sign(patient, on=LATER),
}


@pytest.mark.parametrize("what", CONTACTS)
def test_any_later_contact_keeps_it(site, nurse, what):
    patient = make_left(site)
    assert past(site) == ["R1"]
    CONTACTS[what](patient, nurse)
    assert past(site) == []


def test_without_a_birth_date_it_cannot_be_said(site):
    make_left(site, birth_date=None)
    page = kept_page(site, NOW)
    assert page.past == ()
    assert [line.kept.because for line in page.unsaid] == ["no birth date is recorded"]


def test_the_unit_decides_for_how_long(site):
    make_left(site)
    factories.make_site_setting(site=site, name="keep_years_contact", value=40)
    assert past(site) == []


def test_the_page_lists_them_deletes_nothing_and_is_written_down(site, consultant, consultant_client):
    make_left(site, family_name="Larkspur")
    shown = consultant_client.get("/settings/kept-records/").content.decode()
    assert "Larkspur" in shown and "4 Jun 1998" in shown
    assert "Nothing is ever deleted by itself" in shown
    assert "/settings/kept-records/" in consultant_client.get("/settings/").content.decode()
    assert Patient.objects.filter(patient_ref="R1").exists()
    assert TrailEntry.objects.filter(actor=consultant, row_kind="records past their time").count() == 1


def test_queries_do_not_grow_with_those_who_left(site, django_assert_num_queries):
    factories.make_exchange_session(make_left(site))
    with django_assert_num_queries(17) as counted:
        kept_page(site, NOW)
    for ref in ("R2", "R3"):
        factories.make_exchange_session(make_left(site, ref))
    with django_assert_num_queries(len(counted)):
        kept_page(site, NOW)
