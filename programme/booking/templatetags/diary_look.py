"""How a form names a place."""

from __future__ import annotations

from django import template

from programme.booking.numeric.calendar import Place

register = template.Library()


@register.filter
def place_value(place: Place) -> str:
    """'chair|day|slot', as the forms of placing read it."""
    return f"{place.chair_pk}|{place.on.isoformat()}|{place.slot}"
