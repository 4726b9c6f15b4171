"""The review as it may leave the unit: small counts masked, as CSV and as plain rows for paper."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from programme.core.tables import safe
from programme.review.queries.data_quality import Lack
from programme.review.queries.figures import Change, Figure, Row
from programme.review.queries.monitoring import CheckRow, Monitoring
from programme.review.queries.programme import Part, Review
from programme.review.queries.reasons import Reasons

HEADER = (
    "group", "measure", "numerator", "denominator", "missing", "found", "low_95", "high_95", "unit", "method",
    "year_before", "year_before_low_95", "year_before_high_95", "change", "change_low_95", "change_high_95",
    "change_is", "change_says", "own_aim", "verdict",
)  # fmt: skip
MONITORING_HEADER = (
    "on", "check", "every_days", "asked", "in_time", "overdue", "no_record", "in_time_pct", "low_95", "high_95",
    "ground",
)  # fmt: skip
REASONS_HEADER = ("what", "of", "of_what", "in_words", "how_often", "people")
DATA_HEADER = ("what", "count", "of", "of_what", "pct", "low_95", "high_95", "why_it_matters")
OTHER_WORDS = "all other words together"


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
    rows = [
        (one.group, one.name, *one.counts, *one.now, one.unit, one.how, *one.before, *one.change, one.aim, one.verdict)
        for one in masked(review)
    ]
    return _csv(HEADER, rows)


def monitoring_csv(found: Monitoring, *, smallest: int) -> str:
    """Return the checks as CSV. Where one part of a check is small all of it is masked, as the rest would tell it."""
    return _csv(MONITORING_HEADER, [_check(found, row, smallest) for row in found.rows])


def reasons_csv(found: Sequence[Reasons], *, smallest: int) -> str:
    """Return the reasons as CSV. Words of fewer than `smallest` people are put together: they may say who it was."""
    rows = [row for one in found for row in _reasons(one, smallest)]
    return _csv(REASONS_HEADER, rows)


def data_csv(found: Sequence[Lack], *, smallest: int) -> str:
    """Return what the records lack as CSV; what is of fewer than `smallest`, or of fewer people, is masked."""
    return _csv(DATA_HEADER, [_lack(one, smallest) for one in found])


def _csv(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(header)
    writer.writerows([safe(cell) for cell in row] for row in rows)
    return file.getvalue()


def _check(found: Monitoring, row: CheckRow, smallest: int) -> tuple[str, ...]:
    parts = (row.in_time, len(row.overdue), len(row.unrecorded))
    of = "masked" if 0 < row.asked < smallest else str(row.asked)
    begin = (found.on.isoformat(), row.words, str(row.every_days), of)
    if any(0 < part < smallest for part in (row.asked, *parts)):
        return (*begin, "masked", "masked", "masked", "masked", "", "", row.ground)
    figures = (_text(one, 1) for one in (row.in_time_pct, row.low, row.high))
    return (*begin, *(str(part) for part in parts), *figures, row.ground)


def _reasons(one: Reasons, smallest: int) -> list[tuple[str, ...]]:
    begin = (one.title, "masked" if 0 < one.of < smallest else str(one.of), one.of_words)
    shown = [row for row in one.rows if len(row.people) >= smallest]
    rows: list[tuple[str, ...]] = [(*begin, row.words, str(row.count), str(len(row.people))) for row in shown]
    others = [row for row in one.rows if len(row.people) < smallest]
    if others:
        people = {who.patient_ref for row in others for who in row.people}
        many = (
            ("masked", "masked")
            if len(people) < smallest
            else (str(sum(row.count for row in others)), str(len(people)))
        )
        rows.append((*begin, OTHER_WORDS, *many))
    return rows or [(*begin, "", "0", "0")]


def _lack(one: Lack, smallest: int) -> tuple[str, ...]:
    small = is_small(one.count, one.of, is_share=True, smallest=smallest) or 0 < len(one.people) < smallest
    figures = ("masked", "", "") if small else tuple(_text(value, 1) for value in (one.pct, one.low, one.high))
    counts = ("masked", "masked") if small else (str(one.count), str(one.of))
    return (one.words, *counts, one.of_words, *figures, one.why)


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
