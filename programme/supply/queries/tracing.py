"""Look back and forward: everybody who had blood of one donation, and every donation that one person had.

Both read the session records and the units that came in for orders, of one unit's own records only.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import Count, Q, QuerySet

from patients.models import Patient
from programme.core.models import Site
from programme.supply.models import SuppliedUnit
from sessions.day.numeric.donation_number import spaced
from sessions.models import DonationUnit, ExchangeSession, OtherTransfusion, UnitState

GIVEN = (UnitState.GIVEN, UnitState.RUNNING)


@dataclass(frozen=True, slots=True)
class Trace:
    """One unit in one place: at a person's session, or come in for an order. person: whose session or order it is."""

    number: str
    donation_number: str
    product_code: str
    group: str
    patient_key: int
    patient_ref: str
    name: str
    on: date
    where: str
    state: str
    given: bool
    at: datetime | None
    words: str
    order: int | None


def of_donation(site: Site, number: str) -> tuple[Trace, ...]:
    """Return every record of one donation at a unit, of all its products, oldest first; two queries."""
    used = DonationUnit.objects.filter(exchange_session__patient__site=site, donation_number=number)
    came = SuppliedUnit.objects.filter(order__site=site, donation_number=number)
    return _traces(site, used, came)


def of_person(patient: Patient) -> tuple[Trace, ...]:
    """Return every unit of a person's sessions and orders, and any given to them out of another's, oldest first."""
    used = DonationUnit.objects.filter(exchange_session__patient=patient)
    came = SuppliedUnit.objects.filter(order__patient=patient) | SuppliedUnit.objects.filter(given_to=patient)
    return _traces(patient.site, used, came)


@dataclass(frozen=True, slots=True)
class WithoutNumber:
    """Red cells that a person had and whose donations are not recorded here. sessions: with more units than numbers.

    first, last: days of these sessions, None where there is none. elsewhere: other transfusions that are recorded.
    """

    sessions: int
    units: int
    first: date | None
    last: date | None
    elsewhere: int


def without_number(patient: Patient) -> WithoutNumber:
    """Return what a list of a person's donations must leave out, so that nobody takes it for all; two queries."""
    numbered = Count(
        "donation_units", filter=~Q(donation_units__donation_number="") & Q(donation_units__state__in=GIVEN)
    )
    done = ExchangeSession.objects.carried_out().filter(patient=patient).annotate(numbered=numbered).order_by("on")
    found = [(on, (units or 0) - known) for on, units, known in done.values_list("on", "units", "numbered")]
    rows = [(on, units) for on, units in found if units > 0]
    others = OtherTransfusion.objects.filter(patient=patient, withdrawn_reason="").count()
    days = [on for on, _ in rows]
    return WithoutNumber(
        len(rows), sum(units for _, units in rows), min(days, default=None), max(days, default=None), others
    )


def recipients(traces: Iterable[Trace]) -> tuple[tuple[str, str], ...]:
    """Return reference and name of everybody who was given something, once each, in the order of the traces."""
    return tuple(dict.fromkeys((trace.patient_ref, trace.name) for trace in traces if trace.given))


def _traces(site: Site, used: QuerySet[DonationUnit], came: QuerySet[SuppliedUnit]) -> tuple[Trace, ...]:
    zone = ZoneInfo(site.time_zone)
    found = [_used(row, zone) for row in used.select_related("exchange_session__patient")]
    found += [_came(row, zone) for row in came.distinct().select_related("order__patient", "given_to")]
    return tuple(sorted(found, key=lambda trace: (trace.on, trace.donation_number, trace.where)))


def _used(row: DonationUnit, zone: ZoneInfo) -> Trace:
    patient = row.exchange_session.patient
    return Trace(
        number=row.donation_number,
        donation_number=spaced(row.donation_number) or "not recorded",
        product_code=row.product_code,
        group=_group(row.abo, row.rhd),
        patient_key=patient.pk,
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        on=row.exchange_session.on,
        where="session",
        state=row.get_state_display(),
        given=row.state in GIVEN,
        at=row.started_at and row.started_at.astimezone(zone),
        words=row.end_reason,
        order=None,
    )


def _came(row: SuppliedUnit, zone: ZoneInfo) -> Trace:
    patient = row.given_to or row.order.patient
    return Trace(
        number=row.donation_number,
        donation_number=spaced(row.donation_number),
        product_code=row.product_code,
        group=_group(row.abo, row.rhd),
        patient_key=patient.pk,
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        on=row.arrived_at.astimezone(zone).date(),
        where="order",
        state=row.get_state_display(),
        given=row.state == SuppliedUnit.State.GIVEN,
        at=row.ended_at and row.ended_at.astimezone(zone),
        words=row.end_reason,
        order=row.order.number,
    )


def _group(abo: str, rhd: str) -> str:
    return f"{abo} {rhd}".replace("-", "\u2212").strip()
