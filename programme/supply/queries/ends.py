"""Every unit that came in a span of days, followed to its end; two queries however many there are."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from programme.core.models import Site
from programme.supply.models import SuppliedUnit
from programme.supply.numeric.ends import Flow, count_flow, exact_interval
from sessions.day.numeric.donation_number import spaced
from sessions.models import DonationUnit

QUARTER_DAYS = 91


@dataclass(frozen=True, slots=True)
class UnitWay:
    """One unit: when it came, was taken to a chair and ended, each None where it did not; whose it was or is for."""

    number: str
    donation_number: str
    order: int
    patient_ref: str
    name: str
    arrived_at: datetime
    issued_at: datetime | None
    ended_at: datetime | None
    state: str
    words: str
    elsewhere: bool


@dataclass(frozen=True, slots=True)
class UnitsInSpan:
    """Units that came from `first` to `last`, both included. without_order: units at a chair that came for no order."""

    first: date
    last: date
    flow: Flow
    units: tuple[UnitWay, ...]
    without_order: int

    @property
    def wasted(self) -> tuple[float, float] | None:
        """Interval of the share that was discarded, in 100 of those that ended; None where none has."""
        if not self.flow.ended:
            return None
        low, high = exact_interval(self.flow.discarded, self.flow.ended)
        return 100.0 * low, 100.0 * high

    @property
    def wasted_in_100(self) -> float:
        return 100.0 * self.flow.discarded / max(self.flow.ended, 1)


def units_in_span(site: Site, first: date, last: date) -> UnitsInSpan:
    """Return the units that came in on these days of the site, newest first, and where each of them is."""
    zone = ZoneInfo(site.time_zone)
    since = datetime.combine(first, time(0), tzinfo=zone)
    until = datetime.combine(last + timedelta(days=1), time(0), tzinfo=zone)
    rows = list(
        SuppliedUnit.objects.filter(order__site=site, arrived_at__gte=since, arrived_at__lt=until)
        .select_related("order__patient", "given_to")
        .order_by("-arrived_at", "-pk")
    )
    return UnitsInSpan(
        first=first,
        last=last,
        flow=count_flow((row.state, row.issued_at is not None) for row in rows),
        units=tuple(_way(row, zone) for row in rows),
        without_order=_without_order(site, first, last),
    )


def _way(row: SuppliedUnit, zone: ZoneInfo) -> UnitWay:
    patient = row.given_to or row.order.patient
    return UnitWay(
        number=row.donation_number,
        donation_number=spaced(row.donation_number),
        order=row.order.number,
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        arrived_at=row.arrived_at.astimezone(zone),
        issued_at=row.issued_at and row.issued_at.astimezone(zone),
        ended_at=row.ended_at and row.ended_at.astimezone(zone),
        state=row.get_state_display(),
        words=row.end_reason,
        elsewhere=row.given_to_id not in (None, row.order.patient_id),
    )


def _without_order(site: Site, first: date, last: date) -> int:
    """Units recorded at a chair of sessions of these days that no order's arrival names: nobody said when they came."""
    here = SuppliedUnit.objects.filter(order__site=site).values("donation_number")
    used = DonationUnit.objects.filter(exchange_session__patient__site=site, exchange_session__on__range=(first, last))
    return used.exclude(donation_number__in=here).count()
