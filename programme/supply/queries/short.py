"""Where the blood of each booking stands, in a few words for the list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from programme.core.models import Site
from programme.supply.models import BloodOrder, OrderState


@dataclass(frozen=True, slots=True)
class BloodNote:
    """The open order of a booking. mark: the state mark that stands before the words."""

    number: int
    words: str
    mark: str


def blood_of_bookings(site: Site, today: date) -> Mapping[int, BloodNote]:
    """Return the open order of every booking of a unit, by the booking's key; one query."""
    orders: Any = BloodOrder.objects.open().filter(site=site).with_kept()
    return {order.booking_id: _note(order, order.kept, today) for order in orders}


def _note(order: BloodOrder, kept: int, today: date) -> BloodNote:
    if order.state == OrderState.DRAFTED:
        late = order.order_by < today
        return BloodNote(
            order.number, "blood not sent in time" if late else "blood drafted", "stop" if late else "dash"
        )
    if order.state == OrderState.PART:
        return BloodNote(order.number, f"blood {order.confirmed_units} of {order.units}", "half")
    if order.state == OrderState.SENT:
        return BloodNote(order.number, "blood sent for", "half")
    if order.state == OrderState.ARRIVED and kept < order.units:
        return BloodNote(order.number, f"blood {kept} of {order.units} here", "half")
    return BloodNote(order.number, "blood confirmed" if order.state == OrderState.CONFIRMED else "blood here", "tick")
