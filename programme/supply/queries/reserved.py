"""What the supply says against a unit at a chair: it waits for, or went to, somebody else, or was discarded."""

from __future__ import annotations

from typing import Any

from django.db.models import Q, QuerySet

from programme.core.prepared import Prepared
from programme.supply.models import SuppliedUnit
from sessions.day.numeric.donation_number import spaced
from sessions.models import DonationUnit


def _against(number: Any, site: Any, patient: Any) -> QuerySet[SuppliedUnit, Any]:
    """What speaks against giving a unit of this donation number to a person, newest first; the product is not asked."""
    states = SuppliedUnit.State
    waits = Q(state__in=[states.ARRIVED, states.ISSUED]) & ~Q(order__patient=patient)
    went = Q(state=states.GIVEN) & ~Q(given_to=patient)
    rows = SuppliedUnit.objects.filter(
        waits | went | Q(state=states.DISCARDED), donation_number=number, order__site=site
    )
    return rows.order_by("-pk").values_list("product_code", "state", "order__number")


AGAINST = Prepared(_against)


def not_for_this_person(unit: DonationUnit) -> str:
    """Say that a unit at a chair is not this person's to have; '' where nothing speaks against it. One query.

    It waits for somebody else's order, was given to somebody else, or was discarded; one that was returned may come
    again. A unit without a product code is taken as the same.
    """
    patient, states = unit.exchange_session.patient, SuppliedUnit.State
    rows = AGAINST.figures(number=unit.donation_number, site=patient.site_id, patient=patient.pk)
    found = next(((state, order) for code, state, order in rows if _is_same(code, unit.product_code)), None)
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


def _is_same(product_code: str, other: str) -> bool:
    return not product_code or not other or product_code == other
