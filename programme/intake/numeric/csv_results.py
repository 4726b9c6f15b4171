"""Reading a file of results: the whole file or nothing, every fault by row and column."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from programme.core.numeric.quantities import LONGEST_NUMBER, PLAIN_NUMBER
from programme.intake.numeric.arrivals import LOCAL, LOINC, STATUSES, WITHDRAWN, Arrival, Unreadable

COLUMNS = ("patient_ref", "birth_date", "code", "value", "unit", "taken_at", "result_id", "status", "source")
LONGEST = {"patient_ref": 40, "code": 40, "unit": 16, "result_id": 100, "source": 60}
MOST_ROWS = 50_000
FIRST_YEAR, LAST_YEAR = 1900, 2100
LOINC_SHAPE = re.compile(r"\d{1,7}-\d")


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a file. row: as a spreadsheet counts, the header is row 1."""

    row: int
    column: str
    value: str
    allowed: str

    def line(self) -> str:
        where = f"row {self.row}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.value[:60]!r}; allowed is {self.allowed}."


class FaultyFile(Unreadable):
    """The file has faults; nothing of it is taken."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = faults
        more = f" and {len(faults) - 1} more" if len(faults) > 1 else ""
        super().__init__(f"{faults[0].line()}{more}" if faults else "The file has no rows.")


def read(body: bytes) -> tuple[Arrival, ...]:
    """Return the results of a file in its order. Raises FaultyFile with every fault."""
    rows = _rows(body)
    faults: list[Fault] = []
    arrivals = []
    for number, cells in rows:
        arrival = _arrival(number, cells, faults)
        if arrival is not None:
            arrivals.append(arrival)
    if faults:
        raise FaultyFile(tuple(sorted(faults, key=lambda fault: fault.row)))
    return tuple(arrivals)


def _rows(body: bytes) -> list[tuple[int, dict[str, str]]]:
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = body.count(b"\n", 0, error.start) + 1
        raise FaultyFile((Fault(row, "", "a byte that is not UTF-8", "a file in UTF-8"),)) from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        lines = [(reader.line_num, line) for line in reader]
    except csv.Error as error:
        raise FaultyFile((Fault(reader.line_num, "", str(error), "comma-separated cells, quotes closed"),)) from error
    if not lines:
        raise FaultyFile((Fault(1, "", "", f"a header with {', '.join(COLUMNS)}"),))
    header = [name.strip() for name in lines[0][1]]
    missing = [name for name in COLUMNS if header.count(name) != 1]
    if missing:
        raise FaultyFile(tuple(Fault(1, name, ",".join(header), f"exactly one column {name}") for name in missing))
    if len(lines) > MOST_ROWS + 1:
        raise FaultyFile((Fault(MOST_ROWS + 2, "", "one row more", f"at most {MOST_ROWS} rows in a file"),))
    uneven = [row for row in lines[1:] if row[1] and len(row[1]) != len(header)]
    if uneven:
        what = f"{len(header)} cells, as in the header"
        raise FaultyFile(tuple(Fault(number, "", f"{len(cells)} cells", what) for number, cells in uneven))
    return [(number, dict(zip(header, map(str.strip, line), strict=True))) for number, line in lines[1:] if any(line)]


def _arrival(row: int, cells: Mapping[str, str], faults: list[Fault]) -> Arrival | None:
    before = len(faults)
    for name, most in LONGEST.items():
        if len(cells[name]) > most or any(ord(letter) < 32 for letter in cells[name]):
            faults.append(Fault(row, name, cells[name], f"at most {most} letters on one line"))
        elif not cells[name] and name != "unit":
            faults.append(Fault(row, name, "", "a text that is not empty"))
    if cells["status"] not in STATUSES:
        faults.append(Fault(row, "status", cells["status"], ", ".join(STATUSES)))
    birth_date = _birth_date(row, cells["birth_date"], faults)
    taken_at = _taken_at(row, cells["taken_at"], faults)
    comparator, value = _value(row, cells["value"], cells["status"], faults)
    if len(faults) > before:
        return None
    return Arrival(
        reference=cells["patient_ref"], birth_date=birth_date, code=cells["code"],
        code_system=LOINC if LOINC_SHAPE.fullmatch(cells["code"]) else LOCAL,
        value_text=value, comparator=comparator, unit=cells["unit"], taken_at=taken_at, result_id=cells["result_id"],
        status=cells["status"], source=cells["source"], position=f"row {row}",
    )  # fmt: skip


def _birth_date(row: int, text: str, faults: list[Fault]) -> date | None:
    if not text:
        return None  # such a result waits for a person
    try:
        if len(text) == 10 and FIRST_YEAR <= (birth_date := date.fromisoformat(text)).year <= LAST_YEAR:
            return birth_date
    except ValueError:
        pass
    faults.append(Fault(row, "birth_date", text, "a date such as 1994-03-14"))
    return None


def _taken_at(row: int, text: str, faults: list[Fault]) -> datetime | None:
    try:
        taken_at = datetime.fromisoformat(text)
        if taken_at.tzinfo is not None and FIRST_YEAR <= taken_at.year <= LAST_YEAR:
            return taken_at
    except ValueError:
        pass
    faults.append(Fault(row, "taken_at", text, "a time with offset such as 2026-05-04T08:10:00+01:00"))
    return None


def _value(row: int, text: str, status: str, faults: list[Fault]) -> tuple[str, str]:
    comparator = text[:1] if text[:1] in ("<", ">") else ""
    number = text[len(comparator) :].strip()
    empty_is_right = status == WITHDRAWN and not text
    if not empty_is_right and (len(number) > LONGEST_NUMBER or not PLAIN_NUMBER.fullmatch(number)):
        faults.append(Fault(row, "value", text, "a number, or < or > and a number"))
    return comparator, number
