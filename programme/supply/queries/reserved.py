"""For whom a unit that waits came in: it is not another person's."""

from __future__ import annotations

from programme.supply.models import SuppliedUnit
from sessions.day.numeric.donation_number import spaced
from sessions.models import DonationUnit


def came_in_for_another(unit: DonationUnit) -> str:
    """Say that a unit at a chair came in for somebody else's order; '' where it did not. One query.

    A unit that was returned or discarded is nobody's any more. A unit without a product code is taken as the same.
    """
    patient = unit.exchange_session.patient
    rows = SuppliedUnit.objects.filter(
        donation_number=unit.donation_number,
        order__site=patient.site_id,
        state__in=[SuppliedUnit.State.ARRIVED, SuppliedUnit.State.ISSUED],
    )
    if unit.product_code:
        rows = rows.filter(product_code__in=["", unit.product_code])
    number = rows.exclude(order__patient=patient.pk).values_list("order__number", flat=True).first()
    if number is None:
        return ""
    return (
        f"{spaced(unit.donation_number)} came in for another person's order, {number}. Do not give; allowed are units "
        "that came in for this person, or for no order."
    )
