"""The field of one vital sign, with what is possible and what is usual."""

from __future__ import annotations

from programme.worklist.forms.fields import QuantityField, Soft
from sessions.day.numeric.entries import VITALS


def vital_field(name: str, label: str) -> QuantityField:
    """Return the field of a vital sign: outside what is possible it refuses, outside what is usual it asks."""
    vital = VITALS[name]
    low, high = vital.usual
    soft = Soft(low, high, f"usual is {low:g} to {high:g}.")
    return QuantityField(label=label, low=vital.possible[0], high=vital.possible[1], unit=vital.unit, soft=soft)
