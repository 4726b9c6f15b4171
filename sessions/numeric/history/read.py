"""Reading a file of past records whole: every fault and every question in one go."""

import hashlib
import math
from collections.abc import Mapping
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from sessions.numeric.history.cells import read_cells
from sessions.numeric.history.people import check_people
from sessions.numeric.history.table import CHOICES, COLUMNS, TEXTS, HistoryFile, HistoryRow, KnownPerson, SampleTime
from sessions.numeric.history.text import TextTable, read_table

SAMPLE_VALUES = {
    "pre_sample_at": ("hb_pre_g_l", "hbs_pre_pct"),
    "post_sample_at": ("hb_post_g_l", "hbs_post_pct"),
}


def read_history(
    data: bytes, *, today: date, time_zone: str, known: Mapping[str, KnownPerson] | None = None
) -> HistoryFile:
    """Return what the file says, and all that is wrong with it or worth asking.

    data: the file's bytes. today: at the site; later days are refused. time_zone: of the site. known: people stored
    already, by reference, against whom sex, birth date and baseline are held.
    """
    zone = ZoneInfo(time_zone)
    table = read_table(data)
    values, cell_faults = read_cells(table, today=today, time_zone=zone)
    told = frozenset((fault.row, fault.column) for fault in cell_faults)
    rows = _rows(table, values)
    undated = frozenset(
        ref for ref, day in zip(values.get("patient_ref", []), values.get("session_date", []), strict=False) if not day
    )
    people_faults, people_questions = check_people(rows, known=known or {}, told=told, undated=undated)
    faults = [*table.faults, *cell_faults, *people_faults]
    place = {column: number for number, column in enumerate(COLUMNS)}
    return HistoryFile(
        digest=hashlib.sha256(data).hexdigest(),
        n_rows=len(table.row_numbers),
        rows=tuple(rows),
        faults=tuple(sorted(faults, key=lambda fault: (fault.row, place.get(fault.column, -1)))),
        questions=(*table.questions, *people_questions),
    )


def _rows(table: TextTable, values: dict[str, list[Any]]) -> list[HistoryRow]:
    """Return every row with a person and a day, by person and day."""
    n = len(table.row_numbers)
    blank: dict[str, Any] = {column: "" if column in CHOICES or column in TEXTS else None for column in COLUMNS}
    columns = [values.get(column, [blank[column]] * n) for column in COLUMNS]
    rows = []
    for number, cells in zip(table.row_numbers, zip(*columns, strict=True), strict=True):
        row = dict(zip(COLUMNS, cells, strict=True))
        if not row["patient_ref"] or row["session_date"] is None:
            continue
        if row["weight_kg"] is None:
            row["weight_kg"] = math.nan
        for column, values_of in SAMPLE_VALUES.items():
            # A time without a value is the time of nothing.
            sampled = row[column] is not None and any(row[name] is not None for name in values_of)
            row[column] = SampleTime(*row[column]) if sampled else None
        rows.append(HistoryRow(row=number, **row))
    return sorted(rows, key=lambda row: (row.patient_ref, row.session_date, row.row))
