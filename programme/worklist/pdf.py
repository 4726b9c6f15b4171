"""Pages for paper, made from plain values; nothing is fetched from anywhere while they are made."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.template.loader import render_to_string

from programme.core.pdf import to_pdf
from programme.worklist.charts.full import FullPicture
from programme.worklist.queries.plan import PlanPage
from programme.worklist.queries.summary import SummaryPage

Letters = tuple[tuple[str, int, str], ...]


def plan_pdf(page: PlanPage, *, unit: str, printed_by: str, printed_at: datetime) -> bytes:
    """Return the plan as A4 PDF."""
    context = {"page": page, "unit": unit, "printed_by": printed_by, "printed_at": printed_at}
    return to_pdf(render_to_string("worklist/plan_print.html", context))


def summary_pdf(
    page: SummaryPage, picture: FullPicture, letters: Letters, *, unit: str, reader: str, printed_by: str,
    printed_at: datetime,
) -> bytes:  # fmt: skip
    """Return one A4 page about a course. reader: 'notes' or 'doctor', for whom the head says it is."""
    context = _paper(page, picture, letters, unit, printed_by, printed_at) | {"for_doctor": reader == "doctor"}
    return to_pdf(render_to_string("worklist/summary_print.html", context))


def own_summary_pdf(
    page: SummaryPage, picture: FullPicture, letters: Letters, *, unit: str, reader: str, printed_by: str,
    printed_at: datetime,
) -> bytes:  # fmt: skip
    """Return the course for the person: plain words in large type. reader: not used, the reader is the person."""
    context = _paper(page, picture, letters, unit, printed_by, printed_at)
    return to_pdf(render_to_string("worklist/own_summary_print.html", context))


def _paper(
    page: SummaryPage, picture: FullPicture, letters: Letters, unit: str, printed_by: str, printed_at: datetime
) -> dict[str, object]:
    noted = [(letter, date.fromordinal(day), words) for letter, day, words in letters]
    noted = [row for row in noted if row[1] >= printed_at.date() - timedelta(days=365)]
    return {
        "page": page, "picture": picture, "letters": noted, "unit": unit, "printed_by": printed_by,
        "printed_at": printed_at,
    }  # fmt: skip
