"""What the page about past records shows: faults by kind, questions to answer, and what the file would do."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from sessions.history.look import Look
from sessions.numeric.history.table import Fault, Question
from sessions.numeric.history.text import rows_around

MOST_KINDS = 40
MOST_OF_ONE_KIND = 6
MOST_LINES = 60
MOST_REFS = 8
AS_IT_STANDS, WRONG, AGREED = "as it stands", "wrong", "agreed"

SELDOM_SHOWN = {
    "sex", "birth_date", "height_cm", "baseline_hbs_pct", "threshold_hbs_pct", "pre_sample_at", "post_sample_at",
    "hbs_method", "visit_reason", "admission_in_gap",
}  # fmt: skip
"""Columns that the preview leaves out where nothing is wrong in them."""

ONLY_TOLD = {"unknown_column", "method_change", "baseline_stored"}
"""Kinds of question that say what will happen; there is nothing to choose."""

KIND_WORDS = {
    "alike": "References look alike",
    "hbs_rose": "HbS rose over an exchange",
    "hbs_share": "HbS looks like a share of 1",
    "hbs_between": "HbS between two sessions is not to be expected",
    "balance": "Fluid in and blood out are far from level",
    "body": "Weight and height hardly belong together",
    "weight_jump": "The weight jumps by 15 % or more",
    "method_change": "hbs_method changes",
    "baseline_change": "baseline_hbs_pct changes",
    "baseline_stored": "baseline_hbs_pct differs from what is stored",
    "sample_far": "A sample lies far from its session",
    "hb_unlikely": "Hb is unlikely",
    "unit_volume": "Units and volume of red cells do not fit",
    "unknown_column": "Columns that are not known here",
}


@dataclass(frozen=True, slots=True)
class FaultKind:
    """Faults of one column with the same words: the first one, and how many rows have it."""

    first: Fault
    n_rows: int


@dataclass(frozen=True, slots=True)
class Asked:
    """One line of questions. lines: all of them where several are answered together. told: nothing to choose."""

    key: str
    where: str
    found: str
    asks: str
    lines: tuple[str, ...]
    told: bool
    answer: str


@dataclass(frozen=True, slots=True)
class PreviewCell:
    text: str
    is_bad: bool


@dataclass(frozen=True, slots=True)
class PreviewRow:
    number: int
    cells: tuple[PreviewCell, ...]


@dataclass(frozen=True, slots=True)
class Preview:
    """A few rows as the file has them, around its first fault."""

    columns: tuple[str, ...]
    rows: tuple[PreviewRow, ...]


@dataclass(frozen=True, slots=True)
class LoadPage:
    """Everything that the page shows of one file."""

    look: Look
    faults: tuple[FaultKind, ...]
    n_fault_rows: int
    n_more_kinds: int
    preview: Preview | None
    asked: tuple[Asked, ...]

    @property
    def n_to_answer(self) -> int:
        return sum(not asked.told for asked in self.asked)

    @property
    def refs_known(self) -> str:
        return some_refs(self.look.known_refs_with_new_rows)

    @property
    def refs_without_birth_date(self) -> str:
        return some_refs(self.look.refs_without_birth_date)


def load_page(look: Look, data: bytes, answers: Mapping[str, str]) -> LoadPage:
    """Return the page of one file. answers: as posted, by the key of the question."""
    kinds: dict[tuple[str, str, str], list[Fault]] = {}
    for fault in look.faults:
        # Words that name a row or a value differ from fault to fault; the column and what is allowed do not.
        words = fault.words if fault.column != "patient_ref, session_date" else str(fault.row)
        kinds.setdefault((fault.column, fault.allowed, words), []).append(fault)
    shown = [FaultKind(some[0], len({fault.row for fault in some})) for some in kinds.values()]
    return LoadPage(
        look=look,
        faults=tuple(shown[:MOST_KINDS]),
        n_fault_rows=len({fault.row for fault in look.faults}),
        n_more_kinds=max(len(shown) - MOST_KINDS, 0),
        preview=_preview(look.faults, data),
        asked=_asked(look.questions, answers),
    )


def unanswered(page: LoadPage) -> str:
    """Return why the file cannot be brought in as answered; '' where it can."""
    answers = {asked.answer for asked in page.asked if not asked.told}
    if WRONG in answers:
        return "Something in the file is wrong: put it right there and choose the file again. Nothing was written."
    if answers - {AS_IT_STANDS}:
        return "Every question needs an answer. Nothing was written yet."
    return ""


def some_refs(refs: tuple[str, ...]) -> str:
    """Return the first few references in words."""
    more = len(refs) - MOST_REFS
    return ", ".join(refs[:MOST_REFS]) + (f" and {more} more" if more > 0 else "")


def _asked(questions: tuple[Question, ...], answers: Mapping[str, str]) -> tuple[Asked, ...]:
    """One line for each question; those of one kind together where there are many."""
    kinds: dict[str, list[Question]] = {}
    for question in questions:
        kinds.setdefault(question.kind, []).append(question)
    shown: list[Asked] = []
    for kind, some in kinds.items():
        groups = [some] if len(some) > MOST_OF_ONE_KIND else [[question] for question in some]
        shown += [_one_line(kind, group, answers) for group in groups]
    return tuple(shown)


def _one_line(kind: str, group: list[Question], answers: Mapping[str, str]) -> Asked:
    lines = tuple(question.line() for question in group)
    key = "q" + hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]
    told = kind in ONLY_TOLD
    first = group[0]
    if len(group) > 1:
        where, found = f"{len(group)} times", KIND_WORDS[kind]
    else:
        where, found = _where(first), first.found
    return Asked(
        key=key,
        where=where,
        found=found,
        asks=first.asks,
        lines=lines[:MOST_LINES] if len(group) > 1 else (),
        told=told,
        answer=AGREED if told else answers.get(key, ""),
    )


def _where(question: Question) -> str:
    if not question.rows:
        return "All rows"
    rows = " and ".join(str(row) for row in question.rows)
    return f"Row{'s' if len(question.rows) > 1 else ''} {rows}, {question.patient_ref}"


def _preview(faults: tuple[Fault, ...], data: bytes) -> Preview | None:
    """The rows around the first fault that stands in a row, without columns that say little there."""
    first = next((fault.row for fault in faults if fault.row > 1), None)
    if first is None:
        return None
    header, rows = rows_around(data, first)
    if not header or not rows:
        return None
    bad = {(fault.row, column) for fault in faults for column in fault.column.split(", ")}
    seldom = SELDOM_SHOWN - {column for number, column in bad if abs(number - first) <= 1}
    filled = [
        place
        for place, name in enumerate(header)
        if name not in seldom and any(place < len(cells) and cells[place] for _, cells in rows)
    ]
    return Preview(
        columns=tuple(header[place] for place in filled),
        rows=tuple(
            PreviewRow(
                number,
                tuple(
                    PreviewCell(cells[place] if place < len(cells) else "", (number, header[place]) in bad)
                    for place in filled
                ),
            )
            for number, cells in rows
        ),
    )
