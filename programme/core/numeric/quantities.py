"""Numbers at the edge: the one parser through which typed or sent numbers enter, and unit conversion.

Inside the programme every quantity has one unit (g/L, %, mL, kg, cm, days); conversion happens here, once.
"""

import math
import re
from dataclasses import dataclass

G_PER_DL = 10.0
"""One g/dL in g/L."""

PLAIN_NUMBER = re.compile(r"[+\-\u2212]?(\d+(\.\d*)?|\.\d+)([eE][+\-]?\d+)?")
LONGEST_NUMBER = 24


class BadNumber(ValueError):
    """A number that cannot be taken; the message says where, what was given and what is allowed."""


def parse_number(text: str | float | int, *, name: str, low: float, high: float, unit: str = "") -> float:
    """Return the number in `text`, within [low, high], as float.

    Parameters: `text` as typed or read; `name` of the field for the message; `low`, `high` the hard range in `unit`.
    Raises BadNumber for blanks, words, NaN, infinities and values outside the range.
    """
    raw = str(text).strip()
    allowed = f"a number from {low:g} to {high:g}{' ' + unit if unit else ''}"
    if len(raw) > LONGEST_NUMBER or not PLAIN_NUMBER.fullmatch(raw):
        raise BadNumber(f"{name}: {raw[:LONGEST_NUMBER]!r} is not {allowed}.")
    value = float(raw.replace("\u2212", "-"))
    if not math.isfinite(value) or not low <= value <= high:
        raise BadNumber(f"{name}: {raw} is outside what is allowed, {allowed}.")
    return value


@dataclass(frozen=True, slots=True)
class ReadHaemoglobin:
    """Haemoglobin in g/L, and whether it was understood as g/dL."""

    g_l: float
    was_g_dl: bool


def read_haemoglobin(text: str, *, name: str = "Hb", low: float = 30, high: float = 200) -> ReadHaemoglobin:
    """Read haemoglobin given in g/L or g/dL: no living value lies in both ranges.

    3 to 20 is read as g/dL and answered so; 30 to 200 as g/L; between and beyond is refused.
    """
    value = parse_number(text, name=name, low=0, high=1000, unit="g/L")
    if low <= value <= high:
        return ReadHaemoglobin(value, was_g_dl=False)
    if low <= value * G_PER_DL <= high:
        return ReadHaemoglobin(round(value * G_PER_DL, 4), was_g_dl=True)
    raise BadNumber(
        f"{name}: {value:g} is outside what is allowed, {low:g} to {high:g} g/L "
        f"(or {low / G_PER_DL:g} to {high / G_PER_DL:g} g/dL)."
    )
