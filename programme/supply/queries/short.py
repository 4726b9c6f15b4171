"""Where the blood of each booking stands, in a few words for the list."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from programme.booking.numeric.workdays import BloodLead, working_days_before
from programme.booking.queries.blood import blood_lead, holidays_around, needed_of
from programme.core.models import Site
from programme.supply.models import BloodOrder, OrderState, SuppliedUnit
from programme.supply.queries.basis import released
from programme.supply.queries.facts import unfit_of
from sessions.day.numeric.blood_match import Needed


@dataclass(frozen=True, slots=True)
class BloodNote:
    """The open order of a booking. mark: the state mark that stands before the words."""

    number: int
    words: str
    mark: str


def blood_of_bookings(site: Site, settings: Mapping[str, float], now: datetime) -> Mapping[int, BloodNote]:
    """Return where the blood of every booking of a unit stands, by the booking's key; a fixed number of queries."""
    orders: Any = list(BloodOrder.objects.open().filter(site=site).select_related("booking").with_kept())
    zone = ZoneInfo(site.time_zone)
    needed = needed_of({order.patient_id for order in orders})
    wrong = _with_unfit_units(orders, needed, zone)
    off = holidays_around(site, now.date())
    leads = {pk: blood_lead(one, settings, off) for pk, one in needed.items()}
    notes = {order.booking_id: _note(order, order.kept, zone, now, leads[order.patient_id]) for order in orders}
    notes |= {order.booking_id: BloodNote(order.number, words, "stop") for order, words in wrong.items()}
    gone = released(site, at=now)
    return notes | {booking.pk: BloodNote(row.number, "no blood ordered", "stop") for booking, row in gone.items()}


def _with_unfit_units(
    orders: Sequence[BloodOrder], needed: Mapping[int, Needed], zone: ZoneInfo
) -> dict[BloodOrder, str]:
    """Orders with units here that the chair would refuse or that will have expired, in a few words; one query."""
    arrived = {order.pk: order for order in orders if order.state == OrderState.ARRIVED}
    units: defaultdict[int, list[SuppliedUnit]] = defaultdict(list)
    for unit in SuppliedUnit.objects.filter(order__in=arrived):
        units[unit.order_id].append(unit)
    found = {}
    for pk, order in arrived.items():
        against = unfit_of(units[pk], needed[order.patient_id], order.booking.starts_at(zone).date())
        if against.refused or against.expired:
            found[order] = "blood does not match" if against.refused else "blood will have expired"
    return found


def _note(order: BloodOrder, kept: int, zone: ZoneInfo, now: datetime, lead: BloodLead) -> BloodNote:
    if order.to_tell:
        return BloodNote(order.number, "blood bank not told", "stop")
    today, starts = now.date(), order.booking.starts_at(zone)
    if order.state in (OrderState.SENT, OrderState.PART, OrderState.CONFIRMED) and starts <= now:
        return BloodNote(order.number, "blood has not come", "stop")
    if order.state == OrderState.CONFIRMED and starts.date() == today:
        return BloodNote(order.number, "blood not here yet", "check")
    if order.state == OrderState.DRAFTED:
        late = lead.order_by(order.booking.on).on < today
        return BloodNote(
            order.number, "blood not sent in time" if late else "blood drafted", "stop" if late else "dash"
        )
    if order.state == OrderState.PART:
        return BloodNote(order.number, f"blood {order.confirmed_units} of {order.units}", "check")
    if order.state == OrderState.SENT and today >= working_days_before(order.booking.on, 1, lead.holidays):
        return BloodNote(order.number, "blood not confirmed", "check")
    if order.state == OrderState.SENT:
        return BloodNote(order.number, "blood sent for", "half")
    if order.state == OrderState.ARRIVED and kept < order.units:
        return BloodNote(order.number, f"blood {kept} of {order.units} here", "half")
    return BloodNote(order.number, "blood confirmed" if order.state == OrderState.CONFIRMED else "blood here", "tick")
