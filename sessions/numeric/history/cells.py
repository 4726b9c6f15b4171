"""From the texts of the cells to values, every cell that cannot be one named as a fault."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from programme.core.numeric.quantities import BadNumber, parse_number
from sessions.numeric.history.table import CHOICES, DATES, NUMBERS, REQUIRED, SAMPLE_TIMES, TEXTS, Fault
from sessions.numeric.history.text import TextTable

EARLIEST_YEAR = 1900
ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
ISO_TIME = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:?\d{2})?")
DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


@dataclass(frozen=True, slots=True)
class Slip:
    """Why a cell is refused: what is allowed, and words that help."""

    allowed: str
    words: str


@dataclass(frozen=True, slots=True)
class WholeColumn:
    """A unit that a whole column is likely to be in, when all its values but 0 lie from `low` to `high`."""

    low: float
    high: float
    unit: str
    wanted: str


OTHER_UNITS: dict[str, WholeColumn] = {
    "hb_pre_g_l": WholeColumn(3, 20, "g/dL", "g/L"),
    "hb_post_g_l": WholeColumn(3, 20, "g/dL", "g/L"),
    "height_cm": WholeColumn(0.4, 2.3, "metres", "cm"),
    "hbs_pre_pct": WholeColumn(0, 1, "shares of 1", "%"),
    "hbs_post_pct": WholeColumn(0, 1, "shares of 1", "%"),
    "baseline_hbs_pct": WholeColumn(0, 1, "shares of 1", "%"),
    "threshold_hbs_pct": WholeColumn(0, 1, "shares of 1", "%"),
    "saline_in_ml": WholeColumn(0, 8, "litres", "mL"),
    "red_cells_in_ml": WholeColumn(0, 8, "litres", "mL"),
    "blood_out_ml": WholeColumn(0, 8, "litres", "mL"),
}
"""Ranges of each other unit that no real column in the wanted unit has. Chosen here; not from a source."""


def read_cells(table: TextTable, *, today: date, time_zone: ZoneInfo) -> tuple[dict[str, list[Any]], list[Fault]]:
    """Return for each column its values, and a fault for every cell refused (its value is then None).

    today: dates after it are refused. time_zone: of the site, for sample times without an offset.
    """
    values: dict[str, list[Any]] = {}
    faults: list[Fault] = []
    for column, texts in table.cells.items():
        # A column repeats few different texts, so each text is read once.
        known = {text: _read(column, text, today=today, time_zone=time_zone) for text in set(texts)}
        hints = _other_unit(column, known)
        values[column] = [None if isinstance(known[text], Slip) else known[text] for text in texts]
        for row, text in zip(table.row_numbers, texts, strict=True):
            slip = hints.get(text) or known[text]
            if isinstance(slip, Slip):
                faults.append(Fault(row, column, text, slip.allowed, slip.words))
    return values, faults


def _read(column: str, text: str, *, today: date, time_zone: ZoneInfo) -> Any:
    """Return the value in a cell, None or '' for a blank one, or a Slip."""
    if not text:
        if column in REQUIRED:
            return Slip(_allowed(column, today), "It cannot be blank.")
        return "" if column in CHOICES or column in TEXTS else None
    readers: list[tuple[Any, Callable[[], Any]]] = [
        (NUMBERS, lambda: _number(column, text)),
        (CHOICES, lambda: text if text in CHOICES[column] else Slip(_allowed(column, today), "")),
        (TEXTS, lambda: _text(column, text, today)),
        (DATES, lambda: _date(column, text, today)),
        (SAMPLE_TIMES, lambda: _sample_time(column, text, today, time_zone)),
    ]
    return next(read() for columns, read in readers if column in columns)


def _allowed(column: str, today: date) -> str:
    if column in NUMBERS:
        return NUMBERS[column].allowed
    if column in CHOICES:
        return ", ".join(CHOICES[column]) + ", or blank"
    if column in TEXTS:
        return f"1 to {TEXTS[column]} characters on one line"
    if column in DATES:
        return f"a real date as 2024-02-28, from {EARLIEST_YEAR} to today, {today.isoformat()}"
    return "a date and time as 2024-02-28T09:30, not in the future, or blank"


def _number(column: str, text: str) -> float | int | Slip:
    row = NUMBERS[column]
    try:
        value = parse_number(text, name=column, low=row.low, high=row.high, unit=row.unit)
    except BadNumber:
        return Slip(row.allowed, _number_words(column, text))
    if row.whole:
        return int(value) if value.is_integer() else Slip(row.allowed, "Not a whole number.")
    return value


def _number_words(column: str, text: str) -> str:
    if DECIMAL_COMMA.fullmatch(text):
        return f"Write the decimal point: {text.replace(',', '.')}."
    if text.lower().strip("+-") in ("nan", "inf", "infinity", "na", "n/a", "null", "none", "-"):
        return "Leave it blank if it was not measured."
    other = OTHER_UNITS.get(column)
    value = _plain(text)
    if other is not None and value is not None and other.low <= value <= other.high:
        return f"Looks like {other.unit}. Put it in {other.wanted}; nothing is guessed."
    return "" if value is not None else "Not a number."


def _plain(text: str) -> float | None:
    try:
        return parse_number(text, name="", low=-1e12, high=1e12)
    except BadNumber:
        return None


def _other_unit(column: str, known: dict[str, Any]) -> dict[str, Slip]:
    """Return a Slip for every text of a column whose values are all, as a whole, in another unit."""
    other = OTHER_UNITS.get(column)
    numbers = {text: value for text in known if text and (value := _plain(text))}
    if other is None or not numbers or not all(other.low <= value <= other.high for value in numbers.values()):
        return {}
    words = (
        f"Looks like {other.unit}: all values in the column lie from {min(numbers.values()):g} to "
        f"{max(numbers.values()):g}. Put the column in {other.wanted}; nothing is guessed."
    )
    return dict.fromkeys(numbers, Slip(NUMBERS[column].allowed, words))


def _text(column: str, text: str, today: date) -> str | Slip:
    if len(text) > TEXTS[column] or not text.isprintable():
        return Slip(_allowed(column, today), "Too long, or with a line break or control character in it.")
    return text


def _date(column: str, text: str, today: date) -> date | Slip:
    if not ISO_DATE.fullmatch(text):
        return Slip(_allowed(column, today), "Write year-month-day.")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return Slip(_allowed(column, today), "No such day.")
    if day > today:
        return Slip(_allowed(column, today), "In the future.")
    return day if day.year >= EARLIEST_YEAR else Slip(_allowed(column, today), "Too long ago.")


def _sample_time(column: str, text: str, today: date, time_zone: ZoneInfo) -> Any:
    """Return (day at the site, aware time), the time None where only a day is given."""
    if ISO_DATE.fullmatch(text):
        day = _date(column, text, today)
        return Slip(_allowed(column, today), day.words) if isinstance(day, Slip) else (day, None)
    if not ISO_TIME.fullmatch(text):
        return Slip(_allowed(column, today), "Write year-month-dayThour:minute.")
    try:
        at = datetime.fromisoformat(text)
        at = at.replace(tzinfo=time_zone) if at.tzinfo is None else at.astimezone(time_zone)
    except (ValueError, OverflowError):
        return Slip(_allowed(column, today), "No such day or time.")
    if at.date() > today:
        return Slip(_allowed(column, today), "In the future.")
    return (at.date(), at)
