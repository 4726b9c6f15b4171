"""Stored rows of one person as plain values, whatever table they come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

Place = tuple[str, int]
"""Table and key of a row."""


@dataclass(frozen=True, slots=True)
class Field:
    """One stored field. shown: in words, the name of whoever it points to. points_to: a row of another table."""

    name: str
    value: Any
    shown: str
    points_to: Place | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One stored row of a table, with every field that may be given away."""

    table: str
    key: int
    fields: tuple[Field, ...]

    @property
    def place(self) -> Place:
        return self.table, self.key

    def field(self, name: str) -> Field:
        """Return one field; KeyError where the table has none of this name."""
        for one in self.fields:
            if one.name == name:
                return one
        raise KeyError(f"{self.table} has no field {name!r}")

    def __getitem__(self, name: str) -> Any:
        return self.field(name).value


@dataclass(frozen=True, slots=True)
class StoredPerson:
    """All that is stored of one person. zone: time zone of the unit, titles: of each table, in its order."""

    site_code: str
    site_name: str
    zone: str
    patient_ref: str
    shown_name: str
    person: Row
    rows: tuple[Row, ...]
    titles: dict[str, str]

    def of(self, table: str) -> list[Row]:
        """Return the rows of one table, in the order in which they were stored."""
        return [row for row in self.rows if row.table == table]
