"""An entry of the trail in words: what kind of row it was, and what of it changed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

Fields = Mapping[str, Any]
UNITS = (
    ("_pct_per_day", "points a day"), ("_pct", "%"), ("_g_l", "g/L"), ("_ml", "mL"), ("_kg", "kg"), ("_cm", "cm"),
    ("_mg", "mg"), ("_days", "days"),
)  # fmt: skip
NOT_SAID = frozenset(
    {"id", "version", "patient_id", "site_id", "data_version", "exchange_session_id", "given_to_id", "key"}
)
"""What tells a reader nothing: the row and the person are named beside it."""


def changed(
    before: Fields | None, after: Fields | None, codes: Mapping[str, Mapping[str, str]] | None = None
) -> tuple[tuple[str, str, str], ...]:
    """Return (field, was, is) in words for each field that differs; of a new row, each that says something.

    codes: by field, the words of the codes that stand in it. A field that was or is empty has '' there. Lists and
    tables within a field are written on one line.
    """
    was, now = before or {}, after or {}
    found = []
    for name in [*was, *(name for name in now if name not in was)]:
        words = (codes or {}).get(name, {})
        old, new = (said(name, words.get(str(value), value)) for value in (was.get(name), now.get(name)))
        if name not in NOT_SAID and old != new:
            found.append((field_words(name), old, new))
    return tuple(found)


def field_words(name: str) -> str:
    """'hbs_ceiling_pct' → 'HbS ceiling'."""
    for ending, _ in UNITS:
        if name.endswith(ending):
            name = name.removesuffix(ending)
            break
    words = name.removesuffix("_id").replace("_", " ")
    return re.sub(r"\b(hb[scfa]?2?|abo|rhd)\b", lambda found: CAPITALS.get(found[0], found[0]), words)


CAPITALS = {
    "hb": "Hb",
    "hbs": "HbS",
    "hba": "HbA",
    "hbf": "HbF",
    "hbc": "HbC",
    "hba2": "HbA2",
    "abo": "ABO",
    "rhd": "RhD",
}


def said(name: str, value: Any) -> str:
    """Return one value in words with its unit; '' for what says nothing."""
    if value is None or value == "" or value is False or value == [] or value == {}:
        return ""
    if value is True:
        return "yes"
    if isinstance(value, Mapping):
        return ", ".join(f"{field_words(key)} {part}" for key, part in _told(value))
    if isinstance(value, list):
        return ", ".join(said("", part) for part in value)
    unit = next((unit for ending, unit in UNITS if name.endswith(ending)), "")
    return f"{_plain(value)} {unit}".rstrip()


def _told(parts: Fields) -> list[tuple[str, str]]:
    return [(key, text) for key, value in parts.items() if (text := said(key, value))]


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    found = re.fullmatch(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d)(:\d\d)?(\.\d+)?(\+00:00|Z)", str(value))
    return f"{found[1]} {found[2]} UTC" if found else str(value)


def row_words(row_kind: str, row_key: int | None) -> str:
    """'patients.LabResult', 12 → 'lab result 12'; the page that was seen stays as it is."""
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", row_kind.rpartition(".")[2]).lower()
    return words if row_key is None else f"{words} {row_key}"
