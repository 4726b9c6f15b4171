"""Pages for paper, made from plain values; nothing is fetched from anywhere while they are made."""

from __future__ import annotations

from datetime import datetime

from django.template.loader import render_to_string

from programme.core.pdf import to_pdf
from programme.worklist.queries.plan import PlanPage


def plan_pdf(page: PlanPage, *, unit: str, printed_by: str, printed_at: datetime) -> bytes:
    """Return the plan as A4 PDF."""
    context = {"page": page, "unit": unit, "printed_by": printed_by, "printed_at": printed_at}
    return to_pdf(render_to_string("worklist/plan_print.html", context))
