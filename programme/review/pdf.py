"""The review on paper: two A4 pages, figures and what they mean, small counts masked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.template.loader import render_to_string

from programme.core.pdf import to_pdf
from programme.review.queries.definitions import DEFINITIONS
from programme.review.queries.programme import Review


def review_pdf(review: Review, *, groups: Sequence[Any], printed_at: datetime) -> bytes:
    """Return the review as PDF. groups: (name, how many people, rows), masked as they may leave the unit."""
    context = {
        "review": review,
        "groups": groups,
        "definitions": DEFINITIONS,
        "printed_at": printed_at,
    }
    return to_pdf(render_to_string("review/programme_print.html", context))
