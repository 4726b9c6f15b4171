"""What is recorded of a person that the checks before starting are held against. Fixed number of queries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from patients.models import BodyMeasure, Consent, Patient, Sex
from programme.core import access
from programme.core.models import Site, User
from programme.core.settings_of_site import site_settings
from sessions.day.models import Prescription
from sessions.day.numeric.starting import weight_holds_days
from sessions.day.queries import sample_fault
from sessions.models import ExchangeSession

YOUNGEST_PREGNANT_YEARS, OLDEST_PREGNANT_YEARS = 10.0, 56.0
"""Between these ages pregnancy is asked about: common practice; units differ."""


@dataclass(frozen=True, slots=True)
class Chairside:
    """consent_until: the last day of the consent that reaches furthest, None where there is none in force.
    weight_on: the newest weight's day, None where none is recorded. lapsed: the newest plan, where its
    signature lapsed. no_unit: why no unit could be started now, '' where one could."""

    patient: Patient
    plan: Prescription | None
    lapsed: Prescription | None
    settings: Mapping[str, float]
    consent_until: date | None
    weight_kg: float
    weight_on: date | None
    no_unit: str

    def weight_holds(self, on: date) -> bool:
        """Whether the newest weight is not older than the site allows."""
        most = weight_holds_days(self.weight_kg, self.patient.age_years(on), self.settings)
        return self.weight_on is not None and (on - self.weight_on).days <= most

    def may_be_pregnant(self, on: date) -> bool:
        age = self.patient.age_years(on)
        asked = age is None or YOUNGEST_PREGNANT_YEARS <= age < OLDEST_PREGNANT_YEARS
        return self.patient.sex == Sex.FEMALE and asked


def chairside_of(exchange_session: ExchangeSession, *, today: date, at: datetime) -> Chairside:
    """Return what is recorded; seven queries."""
    patient = exchange_session.patient
    plans = list(Prescription.objects.filter(exchange_session=exchange_session).select_related("authorised_by"))
    newest = max(plans, key=lambda plan: plan.number, default=None)
    consent = Consent.objects.filter(patient=patient, withdrawn_on__isnull=True, given_on__lte=today)
    measures = BodyMeasure.objects.filter(patient=patient, on__lte=today, weight_kg__isnull=False, withdrawn_reason="")
    weight = measures.order_by("-on", "-pk").first()
    settings = site_settings(patient.site, at)
    return Chairside(
        patient=patient,
        plan=next((plan for plan in plans if plan.is_in_force), None),
        lapsed=newest if newest and newest.lapsed_at else None,
        settings=settings,
        consent_until=consent.order_by("-valid_until").values_list("valid_until", flat=True).first(),
        weight_kg=exchange_session.weight_kg if weight is None else float(weight.weight_kg or 0.0),
        weight_on=weight.on if weight else None,
        no_unit=sample_fault(patient, at, settings),
    )


def prescribers_of(site: Site) -> dict[int, User]:
    """Return the people of a site who may authorise, by key; one query."""
    roles = access.matrix()["move.authorise"]
    people = User.objects.filter(site=site, is_active=True, role__in=roles).order_by("full_name")
    return {user.pk: user for user in people}
