"""What the supply says against a unit at a chair: it waits for, or went to, somebody else, or was discarded."""

from __future__ import annotations

from django.db.models import Q

from programme.supply.models import SuppliedUnit
from sessions.day.numeric.donation_number import spaced
from sessions.models import DonationUnit


def not_for_this_person(unit: DonationUnit) -> str:
    """Say that a unit at a chair is not this person's to have; '' where nothing speaks against it. One query.

    It waits for somebody else's order, was given to somebody else, or was discarded; one that was returned may come
    again. A unit without a product code is taken as the same.
    """
    patient, states = unit.exchange_session.patient, SuppliedUnit.State
    waits = Q(state__in=[states.ARRIVED, states.ISSUED]) & ~Q(order__patient=patient.pk)
    went = Q(state=states.GIVEN) & ~Q(given_to=patient.pk)
    rows = SuppliedUnit.objects.filter(
        waits | went | Q(state=states.DISCARDED), donation_number=unit.donation_number, order__site=patient.site_id
    )
    if unit.product_code:
        rows = rows.filter(product_code__in=["", unit.product_code])
    found = rows.order_by("-pk").values_list("state", "order__number").first()
    if found is None:
        return ""
    state, number = found
    if state == states.GIVEN:
        return f"{spaced(unit.donation_number)} was given to another person, by order {number}. Do not give."
    if state == states.DISCARDED:
        return f"{spaced(unit.donation_number)} was discarded, by order {number}. Do not give."
    return (
        f"{spaced(unit.donation_number)} came in for another person's order, {number}. Do not give; allowed are units "
        "that came in for this person, or for no order."
    )
