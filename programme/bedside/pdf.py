"""Papers of the day of an exchange, made from plain values."""

from __future__ import annotations

from datetime import datetime

from django.template.loader import render_to_string

from programme.bedside.queries.day_plan import DayPlanPage
from programme.bedside.queries.record import Record
from programme.core.pdf import to_pdf


def record_pdf(record: Record, *, version: int, printed_by: str, printed_at: datetime) -> bytes:
    """Return the record of a session as A4 PDF."""
    context = {"r": record, "version": version, "printed_by": printed_by, "printed_at": printed_at}
    return to_pdf(render_to_string("bedside/record_print.html", context))


FEWEST_LINES = 8
"""Rows for observations on the sheet that is filled in by hand, where no more fall due. Chosen here."""


def day_plan_pdf(page: DayPlanPage, *, unit: str, printed_by: str, printed_at: datetime) -> bytes:
    """Return the plan of a session as A4 PDF, signed or plainly not signed."""
    context = {"page": page, "unit": unit, "printed_by": printed_by, "printed_at": printed_at}
    return to_pdf(render_to_string("bedside/day_plan_print.html", context))


def empty_record_pdf(page: DayPlanPage, *, unit: str, printed_by: str, printed_at: datetime) -> bytes:
    """Return the sheet on which a session is recorded by hand when the programme cannot be reached, as A4 PDF."""
    units, due = (page.sheet.units, page.sheet.observations) if page.sheet else (0, 0)
    context = {
        "page": page, "unit": unit, "printed_by": printed_by, "printed_at": printed_at, "places": range(1, units + 1),
        "lines": range(max(due, FEWEST_LINES)),
    }  # fmt: skip
    return to_pdf(render_to_string("bedside/empty_record_print.html", context))
