"""How a form names a place."""

from __future__ import annotations

from collections.abc import Mapping

from django import template

from programme.booking.numeric.calendar import WEEKDAYS, Place

register = template.Library()


@register.filter
def place_value(place: Place) -> str:
    """'chair|day|slot', as the forms of placing read it."""
    return f"{place.chair_pk}|{place.on.isoformat()}|{place.slot}"


@register.filter
def weekdays(stored: str) -> str:
    """'Monday, Wednesday', from the stored '0,2'."""
    return ", ".join(WEEKDAYS[int(part)] for part in stored.split(",") if part)


@register.filter
def value_of(given: Mapping[str, str] | str, key: str) -> str:
    """What was typed for one person; '' where nothing was."""
    return given.get(key, "") if isinstance(given, Mapping) else ""
