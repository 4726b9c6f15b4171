"""The readable paper of all that is stored of one person."""

from __future__ import annotations

from datetime import datetime

from django.template.loader import render_to_string

from programme.core.pdf import to_pdf
from programme.custody.numeric.paper import paper_of
from programme.custody.numeric.rows import StoredPerson
from programme.custody.queries.erasing import ErasurePage
from programme.custody.queries.held import HELD


def person_pdf(person: StoredPerson, *, made_by: str, made_at: datetime) -> bytes:
    """Return everything stored of a person as A4 PDF."""
    paper = paper_of(person, {held.table: held.on_paper for held in HELD})
    context = {"person": person, "paper": paper, "made_by": made_by, "made_at": made_at}
    return to_pdf(render_to_string("custody/person_print.html", context))


def erasure_pdf(page: ErasurePage, *, made_by: str, made_at: datetime) -> bytes:
    """Return the record of an erasure as one A4 page: who, when and why, and how much, with no word of the record."""
    context = {"page": page, "made_by": made_by, "made_at": made_at}
    return to_pdf(render_to_string("custody/erasure_print.html", context))
