"""The review on paper: two A4 pages, figures and what they mean, small counts masked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.template.loader import render_to_string

from programme.core.pdf import to_pdf
from programme.review.queries.definitions import DEFINITIONS
from programme.review.queries.programme import Review


def review_pdf(review: Review, *, rows: Sequence[Any], people: str, printed_at: datetime) -> bytes:
    """Return the review as PDF. rows, people: masked as they may leave the unit."""
    context = {
        "review": review,
        "people": people,
        "rows": rows,
        "definitions": DEFINITIONS,
        "printed_at": printed_at,
    }
    return to_pdf(render_to_string("review/programme_print.html", context))
