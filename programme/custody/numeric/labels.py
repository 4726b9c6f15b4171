"""Names of stored fields in words, with their units, for a reader who knows no table."""

from __future__ import annotations

UNITS = (
    ("_g_l", "g/L"), ("_pct", "%"), ("_ml", "mL"), ("_kg", "kg"), ("_cm", "cm"), ("_mg", "mg"), ("_days", "days"),
    ("hb_g", "g"),
)  # fmt: skip
"""Ends of names that are units (DEVELOPERS.md, Words and units)."""
AS_WRITTEN = {"hb": "Hb", "hbs": "HbS", "abo": "ABO", "rhd": "RhD", "hbc": "HbC"}


def label_of(name: str) -> str:
    """Return the name of a stored field in words: 'hb_ceiling_g_l' is 'Hb ceiling [g/L]'."""
    end, unit = next(((end, unit) for end, unit in UNITS if name.endswith(end)), ("", ""))
    plain = name.removesuffix(end if end != "hb_g" else "_g")
    parts = [AS_WRITTEN.get(part, part) for part in plain.split("_")]
    said = " ".join(parts)
    said = said if said[:1].isupper() else said[:1].upper() + said[1:]
    return f"{said} [{unit}]" if unit else said
