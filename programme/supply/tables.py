"""The order sheet as a table for the blood bank: one header, one line an order, and no cell that is a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import date, datetime

from programme.core.tables import safe
from programme.supply.queries.basis import SampleNow
from programme.supply.queries.foreseen import Foreseen
from programme.supply.queries.orders import OrderLine

HEADER = (
    "order", "state", "for_at", "patient_ref", "name", "birth_date", "units", "confirmed", "abo", "rhd", "negative",
    "antibodies", "hbs_negative", "other", "freshest_days", "sample_taken_at", "sample_valid_until", "order_by",
    "group_samples", "antibodies_asked_elsewhere_on", "held_until", "sample_first", "sample_last",
    "sample_holds_to_end_from", "to_settle",
)  # fmt: skip
"""Documented in the README: times are ISO 8601 with offset, lists are parted by spaces; empty is 'not said'.
to_settle: all that the printed sheet marks as Stop or Check, so that nobody acts on an order that no longer fits."""


D_TYPE = {"+": "positive", "-": "negative"}
"""In words: a cell that begins with a sign is a formula to a spreadsheet."""


def order_sheet_csv(lines: Iterable[OrderLine]) -> str:
    """Return orders as CSV (RFC 4180, comma, CRLF)."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(HEADER)
    for line in lines:
        writer.writerow([safe(cell) for cell in _cells(line)])
    return file.getvalue()


DEMAND_HEADER = ("week_start", "group", "phenotype", "p10", "p50", "p90", "booked")


def demand_csv(found: Foreseen) -> str:
    """Return the weeks of every group, then of all, then of every phenotype and pair of both, as CSV; units."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(DEMAND_HEADER)
    lines = [(line.name, "all", line.cells) for line in found.lines]
    lines += [(line.group, line.phenotype, line.cells) for line in found.classes]
    for group, phenotype, weeks in lines:
        for week in weeks:
            cells = (week.monday.isoformat(), group or "all", phenotype, week.low, week.middle, week.high, week.booked)
            writer.writerow([safe(str(cell)) for cell in cells])
    return file.getvalue()


def _cells(line: OrderLine) -> list[str]:
    needs = line.needs
    return [
        _whole(line.number), line.state, _time(line.starts), line.patient_ref, line.name, _date(line.birth_date),
        _whole(line.units), str(line.confirmed), needs.abo, D_TYPE.get(needs.rhd, ""), " ".join(needs.negative),
        "; ".join(needs.antibodies), "yes" if needs.hbs_negative else "no", needs.other, _whole(needs.freshest_days),
        _time(line.sample.taken_at), _time(line.sample.until), line.order_by.isoformat(),
        str(len(line.group.agree)), _date(line.elsewhere_on), _time(line.held_until),
        *_window(line.sample), " ".join(alarm.words for alarm in line.alarms),
    ]  # fmt: skip


def _window(sample: SampleNow) -> list[str]:
    """When a sample is to be taken, and from when one then taken holds to the booked end; empty where one holds."""
    if sample.holds:
        return ["", "", ""]
    return [_time(sample.first), _time(sample.last), _time(sample.to_end_from)]


def _time(at: datetime | None) -> str:
    return "" if at is None else at.isoformat(timespec="minutes")


def _date(on: date | None) -> str:
    return "" if on is None else on.isoformat()


def _whole(value: int | None) -> str:
    return "" if value is None else str(value)
