"""Small pieces of the look: marks with their meaning, figures with units, dates as the unit writes them."""

from __future__ import annotations

from datetime import date, datetime

from django import template
from django.utils.safestring import SafeString, mark_safe

from programme.core import look

register = template.Library()
register.simple_tag(look.hb_unit, name="hb_unit")
register.filter("hb_words", look.hb_words)

MINUS = "\u2212"
MARKS = {
    "tick": '<path d="M1 6.5 4.6 10 11 2" class="p-heavy"/>',
    "note": '<circle cx="6" cy="6" r="4.6" class="p-paper"/>',
    "check": '<path d="M6 .8 11.2 6 6 11.2.8 6Z" class="p-paper"/><path d="M6 .8V11.2L.8 6Z" class="p-ink"/>',
    "stop": '<rect x="1" y="1" width="10" height="10" class="p-over"/>',
    "half": '<circle cx="6" cy="6" r="4.6" class="p-paper"/><path d="M6 1.4A4.6 4.6 0 0 0 6 10.6Z" class="p-ink"/>',
    "dash": '<path d="M1 6H11" class="p-thin"/>',
}


@register.simple_tag
def mark(name: str) -> SafeString:
    """Draw a state mark; its word stands beside it in the page."""
    return mark_safe(f'<svg class="mk" viewBox="0 0 12 12" aria-hidden="true">{MARKS[name]}</svg>')


@register.filter
def fixed(value: float | None, places: int = 0) -> str:
    """Write a number with `places` decimals, thousands parted and a true minus, but for nought; a dash for none."""
    if value is None or not str(value):
        return "\u2013"
    text = f"{float(value):,.{places}f}"
    return (text if text.strip("-0.") else text.lstrip("-")).replace("-", MINUS)


@register.filter
def hb(value_g_l: float | None, places: int = 0) -> str:
    """Write Hb, given in g/L, in the unit the site reads; `places` are those it would have in g/L."""
    if value_g_l is None or not str(value_g_l):
        return "\u2013"
    return fixed(look.hb_shown(float(value_g_l)), look.hb_places(places))


@register.filter
def signed(value: float | None, places: int = 0) -> str:
    """Write a number with its sign; nothing before a zero."""
    if value is None or not str(value):
        return "\u2013"
    text = f"{float(value):+,.{places}f}".replace("-", MINUS)
    return text if text.strip(f"+{MINUS}0.") else text[1:]


@register.filter
def in_hundred(chance: float | None) -> str:
    """Write a chance 0..1 as a whole number in 100: '<1' under one, '>99' over ninety-nine."""
    if chance is None:
        return "\u2013"
    hundred = 100 * float(chance)
    if hundred < 1:
        return "<1"
    return ">99" if hundred > 99 else f"{hundred:.0f}"


def as_day(value: date | datetime | str) -> date:
    if isinstance(value, str):
        return date.fromisoformat(value[:10])
    return value.date() if isinstance(value, datetime) else value


@register.filter
def day(value: date | str | None) -> str:
    """'Fri 19 Dec'."""
    if not value:
        return "\u2013"
    on = as_day(value)
    return f"{on:%a} {on.day} {on:%b}"


@register.filter
def full_day(value: date | str | None) -> str:
    """'19 Dec 2025'."""
    if not value:
        return "\u2013"
    on = as_day(value)
    return f"{on.day} {on:%b} {on.year}"
