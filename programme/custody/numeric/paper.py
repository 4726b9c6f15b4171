"""What the readable paper says of a person: of each table its rows, of each row what is recorded, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from programme.custody.numeric.labels import label_of
from programme.custody.numeric.resources import unit_of
from programme.custody.numeric.rows import Field, Row, StoredPerson

UNSAID = frozenset({"version", "data_version", "patient", "site", "order", "raw", "read_result", "source_key"})
"""Fields that lead from row to row, or count versions: they stand in the bundle and tell a reader nothing."""


@dataclass(frozen=True, slots=True)
class Part:
    """One table on paper: its rows, each as pairs of what and how much."""

    title: str
    rows: tuple[tuple[tuple[str, str], ...], ...]


@dataclass(frozen=True, slots=True)
class Paper:
    """The whole of it. looks: how often the pages were looked at, which is counted and not listed."""

    parts: tuple[Part, ...]
    only_in_file: tuple[tuple[str, int], ...]
    looks: int


def paper_of(person: StoredPerson, printed: Mapping[str, tuple[str, ...] | None]) -> Paper:
    """Return what is printed. printed: by table the fields to print, None for all; one with none is only counted."""
    days = {row.place: row.field("on").shown for row in person.of("exchange_sessions.ExchangeSession")}
    parts, counted = [], []
    for table, title in person.titles.items():
        rows = [row for row in person.of(table) if not _is_a_look(row)]
        wanted = printed[table]
        if wanted == ():
            counted += [(title, len(rows))] if rows else []
        elif rows:
            said = (tuple(_pairs(row, wanted, days)) for row in rows)
            parts.append(Part(title, tuple(pairs for pairs in said if pairs)))
    looks = sum(_is_a_look(row) for row in person.rows)
    return Paper(tuple(parts), tuple(counted), looks)


def _is_a_look(row: Row) -> bool:
    return row.table == "core.TrailEntry" and str(row["chain"]).startswith("seen:")


def _pairs(row: Row, wanted: tuple[str, ...] | None, days: Mapping[tuple[str, int], str]) -> list[tuple[str, str]]:
    fields = [row.field(name) for name in wanted] if wanted else [f for f in row.fields if f.name not in UNSAID]
    return [(_label(row, field), said) for field in fields if (said := _said(field, days))]


def _label(row: Row, field: Field) -> str:
    """Return the name of a field with its unit, which in a result follows from what was measured."""
    if row.table == "patients.LabResult" and field.name == "value":
        return f"Value [{unit_of(row['analyte'])}]"
    return label_of(field.name)


def _said(field: Field, days: Mapping[tuple[str, int], str]) -> str:
    if field.points_to is not None and field.points_to in days:
        return f"of {days[field.points_to]}"
    return field.shown
