"""The demo's blood: today's units from the fridge to the chair, and orders ahead in every state.

Written by the same services as the pages, for the bookings that the demo's diary has.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from patients.models import Patient
from programme.booking.models import STANDING, Booking, BookingState
from programme.core.models import Role, Site, User
from programme.supply.models import BloodOrder, SuppliedUnit
from programme.supply.queries.ends import QUARTER_DAYS
from programme.supply.services.demand import keep_demand, keep_look_back
from programme.supply.services.orders import answer_order, draft_order, draft_orders
from programme.supply.services.sending import send_order
from programme.supply.services.units import ArrivedLabel, give_unit, issue_unit, put_away_unit, take_in
from sessions.day.numeric.donation_number import check_character
from sessions.models import DonationUnit

ORDERED_DAYS = 8
SENT_AHEAD_DAYS = 3
"""Orders whose last day is so near are sent in the demo, the others wait as drafts."""
SHORT = "one bag was taken back by the supplier this morning; the answer for it comes tomorrow"


@transaction.atomic
def load_blood(*, site: Site, today: date, at: datetime) -> None:
    """Write the orders of the invented unit; `at` is the present, local to the site."""
    actor = User.objects.get(site=site, role=Role.COORDINATOR)
    first = at - timedelta(days=ORDERED_DAYS)
    _past(site, today, actor)
    booked = Booking.objects.filter(chair__site=site, on=today, state__in=[*STANDING, BookingState.CAME])
    for booking in booked.select_related("patient__site").order_by("pk"):
        _bring(draft_order(booking=booking, actor=actor, at=first), actor, at)
    ahead = draft_orders(site=site, actor=actor, at=at).orders
    near = [order for order in ahead if order.order_by <= today + timedelta(days=SENT_AHEAD_DAYS)]
    for place, order in enumerate(near[1:]):  # the most pressing is left for whoever looks at the demo
        late = "booked only now; telephoned" if order.order_by < today else ""
        sent = send_order(order=order, version=order.version, actor=actor, at=at, late_reason=late)
        if place % 3 != 2:
            units = sent.units if place % 3 == 0 else max(sent.units - 1, 1)
            words = SHORT if units < sent.units else ""
            answer_order(order=sent, version=sent.version, units=units, words=words, actor=actor, at=at)
    keep_look_back(site=site, at=at)
    keep_demand(site=site, at=at)


def _past(site: Site, today: date, actor: User) -> None:
    """Orders of the last quarter, every unit to its end: given, one of every other order returned, one bag leaked."""
    came = Booking.objects.filter(chair__site=site, state=BookingState.CAME, on__lt=today)
    rows = came.filter(on__gte=today - timedelta(days=QUARTER_DAYS - 1)).select_related("patient__site")
    for place, booking in enumerate(rows.order_by("on", "pk")):
        starts = booking.starts_at(ZoneInfo(site.time_zone))
        asked = starts - timedelta(days=ORDERED_DAYS)
        row = draft_order(booking=booking, actor=actor, at=asked)
        late = "booked late; telephoned" if row.order_by < asked.date() else ""
        row = send_order(order=row, version=row.version, actor=actor, at=asked, late_reason=late)
        labels = [_label(row, booking.on, 100 * place + number) for number in range(row.units)]
        units = take_in(order=row, version=row.version, labels=labels, actor=actor, at=starts - timedelta(hours=2))
        for number, unit in enumerate(units):
            _to_its_end(unit, actor, starts, left=number == 0 and place % 2 == 1, leaked=number == 1 and place == 4)


def _label(order: BloodOrder, on: date, serial: int) -> ArrivedLabel:
    number = f"Z9990{on:%y}{800000 + serial:06d}"
    return ArrivedLabel(
        number=f"{number}{check_character(number)}",
        abo=order.needs["abo"],
        rhd=order.needs["rhd"],
        negatives=", ".join(order.needs["negative"]),
        hbs_negative=True,
        expires_on=on + timedelta(days=14),
    )


def _to_its_end(unit: SuppliedUnit, actor: User, starts: datetime, *, left: bool, leaked: bool) -> None:
    """Return it unused, or take it to the chair and give it, or discard it there."""
    who: dict[str, Any] = {"actor": actor, "at": starts + timedelta(hours=4)}
    if left:
        put_away_unit(unit=unit, version=unit.version, state="returned", why="not needed in the end", **who)
        return
    held = issue_unit(unit=unit, version=unit.version, actor=actor, at=starts + timedelta(minutes=20))
    if leaked:
        put_away_unit(unit=held, version=held.version, state="discarded", why="the bag leaked at the chair", **who)
    else:
        give_unit(unit=held, version=held.version, **who)


def _bring(order: BloodOrder, actor: User, at: datetime) -> None:
    """An order of today: sent and answered in time, its units here; those at the chair are taken over from there."""
    late = "booked late; telephoned" if order.order_by < (at - timedelta(days=ORDERED_DAYS - 1)).date() else ""
    row = send_order(
        order=order, version=order.version, actor=actor, at=at - timedelta(days=ORDERED_DAYS - 1), late_reason=late
    )
    row = answer_order(
        order=row, version=row.version, units=row.units, words="", actor=actor, at=at - timedelta(days=ORDERED_DAYS - 2)
    )
    labels = _labels(order.patient, order.booking.on)[: row.units]
    if labels:
        take_in(order=row, version=row.version, labels=labels, actor=actor, at=at - timedelta(hours=7))


def _labels(patient: Patient, on: date) -> list[ArrivedLabel]:
    """The units that the person's session of the day has at the chair."""
    rows = DonationUnit.objects.filter(exchange_session__patient=patient, exchange_session__on=on)
    return [
        ArrivedLabel(
            number=f"{unit.donation_number}{check_character(unit.donation_number)}",
            product_code=unit.product_code,
            abo=unit.abo,
            rhd=unit.rhd,
            negatives=unit.antigens_negative,
            hbs_negative=unit.hbs_negative,
            expires_on=unit.expires_on,
        )
        for unit in rows.exclude(donation_number="").order_by("place")
    ]
