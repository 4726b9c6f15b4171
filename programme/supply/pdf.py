"""Order sheets for the blood bank, made from plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.template.loader import render_to_string

from programme.core.pdf import to_pdf
from programme.supply.queries.orders import OrderLine


def order_sheet_pdf(lines: Sequence[OrderLine], *, unit: str, printed_by: str, printed_at: datetime) -> bytes:
    """Return orders as A4 PDF, one after the other, each with all that its units must be."""
    context = {"lines": lines, "unit": unit, "printed_by": printed_by, "printed_at": printed_at}
    return to_pdf(render_to_string("supply/order_sheet_print.html", context))
