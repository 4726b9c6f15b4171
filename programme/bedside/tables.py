"""The record of a session as a table for other programs: one header, one line a row, and no cell that is a formula."""

from __future__ import annotations

import csv
import io
from datetime import datetime

from programme.bedside.queries.record import Record
from programme.bedside.queries.record_rows import Line
from programme.core.tables import safe

HEADER = (
    "session_on", "patient_ref", "kind", "number", "at", "entered_at", "by", "step", "unit", "fluid", "in_ml", "out_ml",
    "value", "value_unit", "words", "why", "undone", "time_was",
)  # fmt: skip
"""Documented in the README: kind says what the row is; times are ISO 8601 with offset; mL; empty is 'not said'."""


def record_csv(record: Record, *, session_on: str) -> str:
    """Return the record as CSV (RFC 4180, comma, CRLF)."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(HEADER)
    for line in record.lines():
        writer.writerow([safe(cell) for cell in _cells(line, record.patient_ref, session_on)])
    return file.getvalue()


def _cells(line: Line, patient_ref: str, session_on: str) -> list[str]:
    return [
        session_on, patient_ref, line.kind, _whole(line.number), _time(line.at), _time(line.entered_at), line.by,
        _whole(line.step), _whole(line.unit), line.fluid, _number(line.in_ml), _number(line.out_ml),
        _number(line.value), line.value_unit, line.words, line.why, line.undone, line.was,
    ]  # fmt: skip


def _time(at: datetime | None) -> str:
    return "" if at is None else at.isoformat(timespec="seconds")


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _whole(value: int | None) -> str:
    return "" if value is None else str(value)
