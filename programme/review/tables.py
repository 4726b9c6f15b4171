"""The review as it may leave the unit: small counts masked, as CSV and as plain rows for paper."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from programme.core.tables import safe
from programme.review.queries.programme import Review, Row

HEADER = (
    "measure", "numerator", "denominator", "missing", "found", "low_95", "high_95", "unit", "method", "year_before",
    "own_aim", "verdict",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Masked:
    """One row as text; masked figures say 'under' the smallest count shown, and what could give them away is empty."""

    name: str
    cells: tuple[str, ...]


def masked(review: Review) -> list[Masked]:
    """Return the rows with every count masked that is smaller than the site's smallest, 0 excepted."""
    return [Masked(row.definition.name, _cells(row, review.smallest)) for row in review.rows]


def is_small(numerator: float, denominator: float, *, is_share: bool, smallest: int) -> bool:
    """Whether a count, what it is of, or for shares the rest of it, is over 0 and under `smallest`."""
    parts = [numerator, denominator, denominator - numerator] if is_share else [numerator, denominator]
    return any(0 < abs(part) < smallest for part in parts)


def people_words(review: Review) -> str:
    """How many people, masked where few."""
    return f"under {review.smallest}" if 0 < review.n_people < review.smallest else str(review.n_people)


def review_csv(review: Review) -> str:
    """Return the review as CSV (RFC 4180, comma, CRLF); small counts masked."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(HEADER)
    for row in masked(review):
        writer.writerow([safe(cell) for cell in (row.name, *row.cells)])
    return file.getvalue()


def _cells(row: Row, smallest: int) -> tuple[str, ...]:
    one = row.definition
    unit, aim = one.unit, _text(row.aim, one.places)
    missing = f"under {smallest}" if 0 < row.missing < smallest else str(row.missing)
    old_top, old_bottom = row.before_counts
    hide_before = is_small(old_top, old_bottom, is_share=one.is_share, smallest=smallest)
    before = "masked" if hide_before else _text(row.before, one.places)
    if is_small(row.numerator, row.denominator, is_share=one.is_share, smallest=smallest):
        return ("masked", "masked", missing, "masked", "", "", unit, one.how, before, aim, "")
    counts = (f"{row.numerator:.0f}", f"{row.denominator:.1f}" if one.times == 1 else f"{row.denominator:.0f}")
    figures = tuple(_text(value, one.places) for value in (row.found, row.low, row.high))
    return (*counts, missing, *figures, unit, one.how, before, aim, row.verdict or "")


def _text(value: float | None, places: int) -> str:
    return "" if value is None else f"{value:.{places}f}"
