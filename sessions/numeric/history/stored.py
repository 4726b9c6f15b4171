"""What is new in a file beside what is stored, and where the two say different things."""

import itertools
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sessions.numeric.history.people import weight_jump
from sessions.numeric.history.table import Fault, HistoryRow, Question, SampleTime

Key = tuple[str, date]
Value = float | str | SampleTime | None

COMPARED = (
    "weight_kg", "hb_pre_g_l", "hb_post_g_l", "hbs_pre_pct", "hbs_post_pct", "saline_in_ml", "red_cells_in_ml",
    "blood_out_ml", "units", "pre_sample_at", "post_sample_at", "hbs_method", "visit_reason", "admission_in_gap",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class StoredSession:
    """A stored session of one person and day. values: by column of the file, left out or None where nothing is stored.

    state: where it is not a finished session, what it is instead ('planned', 'running' …), else ''.
    """

    values: Mapping[str, Value]
    state: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """new: rows not stored yet. same: how many rows are stored as they stand. faults: rows stored otherwise."""

    new: tuple[HistoryRow, ...]
    same: int
    faults: tuple[Fault, ...]


def compare(rows: Sequence[HistoryRow], stored: Mapping[Key, StoredSession]) -> Comparison:
    """Hold each row against the stored session of its person and day.

    A blank cell says nothing and so contradicts nothing: a result that came later stays. A cell that says something
    other than what is stored is a fault that shows both, also where nothing is stored there.
    """
    new: list[HistoryRow] = []
    faults: list[Fault] = []
    same = 0
    for row in rows:
        session = stored.get((row.patient_ref, row.session_date))
        if session is None:
            new.append(row)
            continue
        words = _differences(row, session)
        if words:
            value = f"{row.patient_ref}, {row.session_date}"
            allowed = "once for each person and day, or the same values"
            faults.append(Fault(row.row, "patient_ref, session_date", value, allowed, words))
        else:
            same += 1
    return Comparison(tuple(new), same, tuple(faults))


def weight_questions(
    new: Sequence[HistoryRow], stored_kg: Mapping[str, Sequence[tuple[date, float]]]
) -> Iterator[Question]:
    """Ask about a weight that jumps from the stored session before; rows of the file are held together elsewhere.

    new: rows that are not stored yet, by person and day. stored_kg: day and weight of stored sessions, by reference
    and day.
    """
    for ref, own in itertools.groupby(new, key=lambda row: row.patient_ref):
        stored = stored_kg.get(ref, ())
        row_before: date | None = None
        for row in own:
            place = bisect_left(stored, (row.session_date,)) - 1
            if place >= 0 and (row_before is None or stored[place][0] > row_before):
                on, kg = stored[place]
                if found := weight_jump(kg, row.weight_kg, (row.session_date - on).days):
                    yield Question("weight_jump", (row.row,), ref, f"{found} since what is stored", "Is it right?")
            row_before = row.session_date


def _differences(row: HistoryRow, session: StoredSession) -> str:
    if session.state:
        return f"A session of this day is stored as {session.state}."
    found = []
    for column in COMPARED:
        here, there = getattr(row, column), session.values.get(column)
        if here in (None, "") or here == there:
            continue
        shown = "blank" if there in (None, "") else _shown(there)
        found.append(f"{column} {shown}, here {_shown(here)}")
    return "Stored already with other values: " + "; ".join(found) + "." if found else ""


def _shown(value: Value) -> str:
    if isinstance(value, SampleTime):
        return str(value.on) if value.at is None else value.at.isoformat()
    return f"{value:g}" if isinstance(value, float) else str(value)
