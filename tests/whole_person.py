"""Somebody of whom every table that is about people holds a row. All invented."""

from __future__ import annotations

from datetime import date

from patients.models import Consent, CrossmatchSample, LabResult, Patient
from programme.booking.models import Contact, Wishes
from programme.core import trail
from programme.core.models import User
from programme.core.reading import SAW
from programme.intake.models import ReadResult
from programme.planning.models import KeptForecast
from programme.supply.models import OrderEvent
from tests import factories
from tests.factories import NOW, TODAY


def fill(patient: Patient, by: User) -> None:
    """Add a row of each kind that the walk over pages does without."""
    factories.make_needs(patient, abo="O", rhd="+")
    factories.make_antibody(patient, found_year=2011)
    Consent.objects.create(patient=patient, given_on=date(2026, 1, 5), valid_until=date(2027, 1, 4))
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW)
    session = patient.exchange_sessions.filter(state="closed").first()
    factories.make_step(session)
    factories.make_unit(session, donation_number="G101726000001", volume_ml=280, started_at=NOW, ended_at=NOW)
    factories.make_unit(session, place=2, state="returned", end_reason="out of the fridge too long")
    KeptForecast.objects.create(
        patient=patient, exchange_session=session, as_of=TODAY, made_at=NOW, code_version="1", ahead_days=28, p10=25,
        p50=28, p90=31,
    )  # fmt: skip
    factories.make_haemolysis_sign(patient)
    factories.make_lock_lift(patient, by=by, reason="looked at")
    Wishes.objects.create(patient=patient, weekdays="0,2")
    booking = patient.bookings.first()
    Contact.objects.create(patient=patient, booking=booking, at=NOW, by=by, outcome="reached", words="will come")
    OrderEvent.objects.create(order=patient.blood_orders.first(), at=NOW, by=by, what="sent")
    result = patient.results.order_by("pk").first()
    raw = factories.make_raw_message(patient.site, body=b"of several people: Somebodyelse")
    ReadResult.objects.create(
        raw=raw, number=1, site=patient.site, source="lab", sent_id="1", status="final", digest="d",
        said={"value": "30"}, became="filed", result=result,
    )  # fmt: skip
    said = [
        trail.Change(patient.site_id, patient.pk, "record result", "patients.LabResult", result.pk, 1, why="typed"),
        trail.Change(patient.site_id, patient.pk, SAW, "course", seen=True),
    ]
    trail.write(said, actor=by, at=NOW)


def make_results(patient: Patient) -> dict[str, LabResult]:
    """Results that must not count, each for its own reason, and those that came in their place."""
    wrong = factories.make_result(patient, value=88, on=TODAY)
    return {
        "superseded": wrong,
        "corrected": factories.make_result(patient, value=98, on=TODAY, status="corrected", supersedes=wrong),
        "withdrawn": factories.make_result(patient, value=55, on=TODAY, status="withdrawn"),
        "held": factories.make_result(patient, value=95, on=TODAY, held_reason="not to be expected of this person"),
    }
