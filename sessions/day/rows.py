"""What every touch at the chair asks of the database first, as prepared statements."""

from __future__ import annotations

from patients.models import Antibody, Consent, CrossmatchSample, Patient, TransfusionNeeds
from programme.core.prepared import Prepared
from sessions.day.models import Entry, Prescription
from sessions.models import DonationUnit, ExchangeSession, HaemolysisSign, UnitState

PATIENT = Prepared(lambda site, ref: Patient.objects.filter(site=site, patient_ref=ref))
SESSION = Prepared(lambda key, patient: ExchangeSession.objects.filter(pk=key, patient=patient))
UNIT = Prepared(lambda session, place: DonationUnit.objects.filter(exchange_session=session, place=place))

PATIENT_HELD = Prepared(lambda key: Patient.objects.select_for_update().filter(pk=key))
SESSION_HELD = Prepared(lambda key: ExchangeSession.objects.select_for_update().filter(pk=key))
UNIT_HELD = Prepared(lambda key: DonationUnit.objects.select_for_update().filter(pk=key))

ENTRIES = Prepared(lambda session: Entry.objects.filter(exchange_session=session).order_by("number"))
ENTRY_OF_KEY = Prepared(lambda key: Entry.objects.filter(key=key))
LAST_NUMBER = Prepared(
    lambda session: Entry.objects.filter(exchange_session=session).order_by("-number").values_list("number")[:1]
)
SIGNED_STEPS = Prepared(
    lambda session: Prescription.objects.filter(exchange_session=session, authorised_at__isnull=False).only(
        "number", "authorised_at", "lapsed_at", "replaced_at", "steps"
    )
)
"""Plans once signed, of which only their steps are read: all that stands beside them is long."""

NEEDS = Prepared(lambda patient: TransfusionNeeds.objects.filter(patient=patient))
ANTIBODIES = Prepared(
    lambda patient: (
        Antibody.objects.filter(patient=patient, withdrawn_reason="").order_by("found_year", "name").values_list("name")
    )
)
USED = Prepared(
    lambda number, but: (
        DonationUnit.objects.filter(donation_number=number)
        .exclude(state=UnitState.RETURNED)
        .exclude(pk=but)
        .order_by("-pk")
    )
)
GIVEN_NOW = Prepared(
    lambda session, but: (
        DonationUnit.objects.filter(exchange_session=session, state=UnitState.RUNNING)
        .exclude(pk=but)
        .order_by("place")
        .values_list("place")
    )
)
SAMPLE = Prepared(
    lambda patient, at: CrossmatchSample.objects.filter(
        patient=patient, withdrawn_reason="", taken_at__lte=at
    ).order_by("-taken_at", "-pk")[:1]
)
SIGNS = Prepared(lambda patient: HaemolysisSign.objects.filter(patient=patient).order_by("pk"))
CONSENTS = Prepared(lambda patient, today: Consent.objects.filter(patient=patient, given_on__lte=today))
