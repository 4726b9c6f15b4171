"""The review as it may leave the unit: small counts masked, as CSV and as plain rows for paper."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from programme.core.tables import safe
from programme.review.queries.figures import Change, Figure, Row
from programme.review.queries.programme import Part, Review

HEADER = (
    "group", "measure", "numerator", "denominator", "missing", "found", "low_95", "high_95", "unit", "method",
    "year_before", "year_before_low_95", "year_before_high_95", "change", "change_low_95", "change_high_95",
    "change_is", "change_says", "own_aim", "verdict",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Masked:
    """One measure of one group as text; what is masked says so, and what could give it away is empty."""

    group: str
    name: str
    unit: str
    how: str
    counts: tuple[str, str, str]
    now: tuple[str, str, str]
    before: tuple[str, str, str]
    change: tuple[str, str, str, str, str]
    aim: str
    verdict: str


def masked(review: Review) -> list[Masked]:
    """Return the rows of every part as they may leave the unit.

    Masked is every count smaller than the site's smallest, 0 excepted, and every figure of fewer people than that,
    however many sessions they had. Where one group alone would be masked, the smallest of the others is masked too:
    else the total would tell it.
    """
    found: dict[str, list[Masked]] = {part.name: [] for part in review.parts}
    for rows in review.by_measure:
        now, before = (_hidden(rows, which, review.smallest) for which in ("now", "before"))
        for part, row, *hidden in zip(review.parts, rows, now, before, strict=True):
            found[part.name].append(_masked(part, row, *hidden, smallest=review.smallest))
    return [one for rows_of_part in found.values() for one in rows_of_part]


def hide(small: Sequence[bool], counts: Sequence[float]) -> list[bool]:
    """Return what is masked: every small one, and beside a single one the smallest of the others."""
    hidden = list(small)
    others = [place for place, is_small in enumerate(small) if not is_small]
    if sum(small) == 1 and others:
        hidden[min(others, key=lambda place: counts[place])] = True
    return hidden


def is_small(numerator: float, denominator: float, *, is_share: bool, smallest: int) -> bool:
    """Whether a count, what it is of, or for shares the rest of it, is over 0 and under `smallest`."""
    parts = [numerator, denominator, denominator - numerator] if is_share else [numerator, denominator]
    return any(0 < abs(part) < smallest for part in parts)


def people_words(review: Review) -> list[tuple[str, str]]:
    """How many people are in each part, masked as the rows are."""
    many = [part.n_people for part in review.parts]
    small = [0 < one < review.smallest for one in many]
    masks = [f"under {review.smallest}" if one else "masked" for one in small]
    shown = zip(review.parts, many, masks, hide(small, many), strict=True)
    return [(part.name, mask if hidden else str(one)) for part, one, mask, hidden in shown]


def for_paper(review: Review) -> list[tuple[str, str, list[Masked]]]:
    """Return for each part its name, how many people, and its rows."""
    rows = masked(review)
    return [(name, people, [row for row in rows if row.group == name]) for name, people in people_words(review)]


def review_csv(review: Review) -> str:
    """Return the review as CSV (RFC 4180, comma, CRLF); small counts masked."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(HEADER)
    for one in masked(review):
        cells = (one.group, one.name, *one.counts, *one.now, one.unit, one.how, *one.before, *one.change)
        writer.writerow([safe(cell) for cell in (*cells, one.aim, one.verdict)])
    return file.getvalue()


def _hidden(rows: Sequence[Row], which: str, smallest: int) -> list[bool]:
    figures: list[Figure] = [getattr(row, which) for row in rows]
    share = rows[0].definition.is_share
    small = [
        0 < one.n_people < smallest or is_small(one.numerator, one.denominator, is_share=share, smallest=smallest)
        for one in figures
    ]
    return hide(small, [one.numerator for one in figures])


def _masked(part: Part, row: Row, hidden: bool, hidden_before: bool, *, smallest: int) -> Masked:
    one, missing = row.definition, row.now.missing
    counts = (f"{row.now.numerator:.0f}", f"{row.now.denominator:.{one.denominator_places}f}")
    return Masked(
        group=part.name,
        name=one.name,
        unit=one.unit,
        how=one.how,
        counts=(*(("masked", "masked") if hidden else counts), "masked" if 0 < missing < smallest else str(missing)),
        now=_figure(row.now, one.places, hidden),
        before=_figure(row.before, one.places, hidden_before),
        change=("",) * 5 if hidden or hidden_before else _change(row.change, one.places),
        aim=_text(row.aim, one.places),
        verdict="" if hidden else row.verdict or "",
    )


def _figure(figure: Figure, places: int, hidden: bool) -> tuple[str, str, str]:
    if hidden:
        return "masked", "", ""
    return _text(figure.found, places), _text(figure.low, places), _text(figure.high, places)


def _change(change: Change, places: int) -> tuple[str, str, str, str, str]:
    decimals = 2 if change.is_ratio else places
    value, low, high = (_text(one, decimals) for one in (change.value, change.low, change.high))
    return value, low, high, "ratio" if change.is_ratio else "difference", change.words


def _text(value: float | None, places: int) -> str:
    return "" if value is None else f"{round(value, places) + 0.0:.{places}f}"  # no minus before a nought
