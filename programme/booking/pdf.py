"""Letters for paper, made from plain values."""

from __future__ import annotations

from datetime import date, time

from django.template.loader import render_to_string

from programme.core.pdf import to_pdf


def reminder_pdf(*, name: str, unit: str, on: date, starts: time, text: str, written_on: date) -> bytes:
    """Return a reminder of a place as A4 PDF: one page inside, and an outside that shows the name alone."""
    context = {"name": name, "unit": unit, "on": on, "starts": starts, "text": text, "written_on": written_on}
    return to_pdf(render_to_string("booking/reminder_print.html", context))
