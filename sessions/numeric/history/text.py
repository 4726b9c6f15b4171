"""From the bytes of a file to its header and records, or to why it cannot be read."""

import codecs
import csv
import difflib
import io
from dataclasses import dataclass

from sessions.numeric.history.table import COLUMNS, REQUIRED, Fault, Question

WHOLE_FILE = 0
OTHER_ENCODINGS = {codecs.BOM_UTF16_LE: "UTF-16", codecs.BOM_UTF16_BE: "UTF-16", b"PK\x03\x04": "a spreadsheet file"}
CLOSE_ENOUGH = 0.75
MOST_SHOWN = 40


@dataclass(frozen=True, slots=True)
class TextTable:
    """cells: for each known column its stripped texts, one for each record. row_numbers: as a spreadsheet counts."""

    cells: dict[str, list[str]]
    row_numbers: list[int]
    faults: list[Fault]
    questions: list[Question]


def read_table(data: bytes) -> TextTable:
    """Read UTF-8 comma-separated text with a header; a byte-order mark is accepted, blank rows are passed over."""
    table = TextTable({}, [], [], [])
    text = _decode(data, table.faults)
    if text is None:
        return table
    records = _split(text, table.faults)
    if not records:
        if not table.faults:
            table.faults.append(_of_file("", "a header and at least one row", "The file is empty."))
        return table
    header = [name.strip() for name in records[0][1]]
    _check_header(header, table)
    body = [(number, cells) for number, cells in records[1:] if any(cells)]
    if not body:
        table.faults.append(_of_file("", "at least one row under the header", "There is no session in the file."))
    good = [record for record in body if _has_all_cells(record, header, table.faults)]
    table.row_numbers.extend(number for number, _ in good)
    columns = zip(*(cells for _, cells in good), strict=True) if good else ([] for _ in header)
    for name, values in zip(header, columns, strict=True):
        if name in COLUMNS and name not in table.cells:
            table.cells[name] = [value.strip() for value in values]
    return table


def _of_file(value: str, allowed: str, words: str, row: int = WHOLE_FILE) -> Fault:
    return Fault(row, "the file", value[:MOST_SHOWN], allowed, words)


def _decode(data: bytes, faults: list[Fault]) -> str | None:
    for mark, name in OTHER_ENCODINGS.items():
        if data.startswith(mark):
            faults.append(_of_file(name, "CSV text in UTF-8", f"This is {name}. Save it as CSV, UTF-8."))
            return None
    if b"\0" in data:
        row = data.count(b"\n", 0, data.index(b"\0")) + 1
        faults.append(_of_file("NUL byte", "CSV text in UTF-8", "The file is damaged or no text file.", row))
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        byte = f"byte 0x{data[error.start]:02X}"
        faults.append(_of_file(byte, "CSV text in UTF-8", "Another encoding. Save the file as CSV, UTF-8.", row))
        return None


def _split(text: str, faults: list[Fault]) -> list[tuple[int, list[str]]]:
    """Return (row number, cells) of each record; a broken quotation is a fault and ends the reading."""
    records: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    number = 0
    while True:
        number += 1
        try:
            cells = next(reader)
        except StopIteration:
            return records
        except csv.Error as error:
            faults.append(_of_file(str(error), "quotation marks in pairs", "The row cannot be read.", number))
            return records
        if cells:
            records.append((number, cells))


def _check_header(header: list[str], table: TextTable) -> None:
    for other, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and other in header[0]:
            words = f"The columns are parted by {name}. Save the file with commas."
            table.faults.append(_of_file(header[0], "columns parted by commas", words, 1))
            return
    for name in sorted({name for name in header if name and header.count(name) > 1}):
        table.faults.append(Fault(1, name, name, "each column once", f"It stands {header.count(name)} times."))
    unknown = [name for name in header if name not in COLUMNS]
    for name in REQUIRED:
        if name not in header:
            near = difflib.get_close_matches(name, unknown, 1, CLOSE_ENOUGH)
            words = f"Is it the column {near[0]!r}?" if near else "The column is missing."
            table.faults.append(Fault(1, name, "", f"the columns {', '.join(REQUIRED)} in every file", words))
    for name in sorted(set(unknown)):
        near = difflib.get_close_matches(name, [c for c in COLUMNS if c not in header], 1, CLOSE_ENOUGH)
        asks = f"It is not read. Should it be {near[0]!r}?" if near else "It is not read."
        table.questions.append(Question("unknown_column", (), "", f"Column {name!r} is not known here", asks))


def _has_all_cells(record: tuple[int, list[str]], header: list[str], faults: list[Fault]) -> bool:
    number, cells = record
    if len(cells) == len(header):
        return True
    words = "A comma too many or too few? A text with a comma needs quotation marks."
    faults.append(Fault(number, "all", f"{len(cells)} cells", f"{len(header)} cells, as in the header", words))
    return False


def rows_around(data: bytes, row: int, *, beside: int = 1) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Return the header, and the cells of a row and of those beside it by number, as far as they can be read at all."""
    text = data.decode("utf-8-sig", errors="replace").replace("\0", "\N{REPLACEMENT CHARACTER}")
    header: list[str] = []
    found: list[tuple[int, list[str]]] = []
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text, newline="")), start=1):
            if number == 1:
                header = [name.strip() for name in cells]
            elif abs(number - row) <= beside and any(cells):
                found.append((number, [cell[:MOST_SHOWN] for cell in cells]))
            if number > row + beside:
                break
    except csv.Error:
        return header, found
    return header, found
