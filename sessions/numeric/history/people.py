"""What the rows of one person say together: faults where they contradict, questions where they are unlikely."""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta

from sessions.numeric.history.table import REQUIRED_OF_NEW_PEOPLE, Fault, HistoryRow, KnownPerson, Question
from sessions.numeric.unlikely import balance_words, body_words, climb_words, share_words

WEIGHT_JUMP = 0.15
"""Change of weight from one session to the next that is asked about, as a share."""

ROUNDING = 1e-9
GROWN_UP_YEARS = 20
HEIGHT_SLACK_CM = 3.0
"""Two measurements of one grown-up, or of a child that has not grown, differ by no more. Chosen here."""

BEFORE_DAYS_MOST, BEFORE_DAYS_USUAL = 7, 3
AFTER_DAYS_MOST, AFTER_DAYS_USUAL = 3, 1
"""How far a sample may lie from the session, and from where on it is asked about. Chosen here; 3 days are the 72 hours
for which a value counts as 'before'."""

LIKELY_HB_G_L = (45.0, 150.0)
LIKELY_UNIT_ML = (150.0, 400.0)
"""Outside these a value is asked about. Chosen here; not from a source."""

BESIDE_LETTERS = str.maketrans("", "", " -_./")

Told = frozenset[tuple[int, str]]


def check_people(
    rows: Sequence[HistoryRow], *, known: Mapping[str, KnownPerson], told: Told, undated: frozenset[str] = frozenset()
) -> tuple[list[Fault], list[Question]]:
    """Return faults and questions about what rows of the same person say together.

    rows: in order of person and day. known: people stored already. told: (row, column) that have a fault already.
    undated: people with a row whose day cannot be read, so that nobody knows which of their rows is the earliest.
    """
    found: list[Fault | Question] = [*_alike(rows, known)]
    for own in _by_person(rows):
        stored = known.get(own[0].patient_ref)
        if own[0].patient_ref not in undated:
            found += _required(own, stored, told)
        found += _contradictions(own, stored)
        found += _baselines(own, stored)
        found += _bodies(own, stored)
        for check in CHECKS:
            found += check(own)
    faults = [one for one in found if isinstance(one, Fault)]
    return faults, [one for one in found if isinstance(one, Question)]


def _alike(rows: Sequence[HistoryRow], known: Mapping[str, KnownPerson]) -> Iterator[Question]:
    """References that differ only in capitals, blanks or hyphens may be one person written in two ways."""
    first_rows = {row.patient_ref: row.row for row in reversed(rows)}
    written: dict[str, list[str]] = {}
    for ref in sorted({*first_rows, *known}):
        written.setdefault(ref.casefold().translate(BESIDE_LETTERS), []).append(ref)
    for refs in written.values():
        numbers = tuple(sorted(first_rows[ref] for ref in refs if ref in first_rows))
        if len(refs) > 1 and numbers:
            shown = " and ".join(repr(ref) for ref in refs)
            yield Question("alike", numbers, refs[0], f"References {shown} look alike", "Are they different people?")


def _by_person(rows: Sequence[HistoryRow]) -> Iterator[Sequence[HistoryRow]]:
    start = 0
    for end in range(1, len(rows) + 1):
        if end == len(rows) or rows[end].patient_ref != rows[start].patient_ref:
            yield rows[start:end]
            start = end


def _required(rows: Sequence[HistoryRow], stored: KnownPerson | None, told: Told) -> Iterator[Fault]:
    first = rows[0]
    for column in REQUIRED_OF_NEW_PEOPLE:
        missing = getattr(first, column) in (None, "") and (first.row, column) not in told
        if missing and (stored is None or getattr(stored, column) in (None, "")):
            allowed = "F or M" if column == "sex" else "a number 40 to 230 cm"
            words = f"Needed in the earliest row of {first.patient_ref}, for blood volume."
            yield Fault(first.row, column, "", allowed, words)


def _contradictions(rows: Sequence[HistoryRow], stored: KnownPerson | None) -> Iterator[Fault]:
    """What stays the same for life: against what is stored, else against the first row that says it."""
    for column in ("sex", "birth_date"):
        said = getattr(stored, column) if stored is not None else None
        source = "Stored already as"
        for row in rows:
            value = getattr(row, column)
            if not value:
                continue
            if said and value != said:
                words = f"{source} {said}, here {value}."
                yield Fault(row.row, column, str(value), "the same for one person in every row", words)
            if not said:
                said, source = value, f"Row {row.row} says"


def _twice(rows: Sequence[HistoryRow]) -> Iterator[Fault]:
    for earlier, row in itertools.pairwise(rows):
        if earlier.session_date == row.session_date:
            value = f"{row.patient_ref}, {row.session_date}"
            first = min(earlier.row, row.row)
            words = f"Row {first} is the same person and day."
            yield Fault(
                max(earlier.row, row.row), "patient_ref, session_date", value, "once for each person and day", words
            )


def _born_later(rows: Sequence[HistoryRow]) -> Iterator[Fault]:
    for row in rows:
        if row.birth_date is not None and row.birth_date > row.session_date:
            words = f"After the session of {row.session_date}."
            yield Fault(row.row, "birth_date", str(row.birth_date), "a day before the session", words)


def _heights(rows: Sequence[HistoryRow]) -> Iterator[Fault]:
    measured = [row for row in rows if row.height_cm is not None]
    birth = next((row.birth_date for row in rows if row.birth_date is not None), None)
    for earlier, row in itertools.pairwise(measured):
        change = (row.height_cm or 0) - (earlier.height_cm or 0)
        grown_up = birth is None or (earlier.session_date - birth).days >= GROWN_UP_YEARS * 365.25
        if change < -HEIGHT_SLACK_CM or (grown_up and change > HEIGHT_SLACK_CM):
            allowed = f"within {HEIGHT_SLACK_CM:g} cm of the row before, {earlier.height_cm:g} cm"
            words = (
                f"Row {earlier.row} says {earlier.height_cm:g}, and nobody {'shrinks' if change < 0 else 'grows'} so."
            )
            yield Fault(row.row, "height_cm", f"{row.height_cm:g}", allowed, words)


def _weights(rows: Sequence[HistoryRow]) -> Iterator[Question]:
    weighed = [row for row in rows if not math.isnan(row.weight_kg)]
    for earlier, row in itertools.pairwise(weighed):
        days = (row.session_date - earlier.session_date).days
        if found := weight_jump(earlier.weight_kg, row.weight_kg, days):
            yield Question("weight_jump", (earlier.row, row.row), row.patient_ref, found, "Is it right?")


def weight_jump(earlier_kg: float, later_kg: float, days: int) -> str:
    """Return a weight that jumps in words, '' for one that does not."""
    jump = abs(later_kg - earlier_kg) / earlier_kg
    if jump < WEIGHT_JUMP - ROUNDING:
        return ""
    return f"Weight {earlier_kg:g} to {later_kg:g} kg in {days} days, {100 * jump:.0f} %"


def _methods(rows: Sequence[HistoryRow]) -> Iterator[Question]:
    named = [row for row in rows if row.hbs_method]
    for earlier, row in itertools.pairwise(named):
        if earlier.hbs_method != row.hbs_method:
            found = f"hbs_method changes from {earlier.hbs_method} to {row.hbs_method} on {row.session_date}"
            asks = "It is marked on the course, so that it is not read as a change of pace."
            yield Question("method_change", (row.row,), row.patient_ref, found, asks)


def _baselines(rows: Sequence[HistoryRow], stored: KnownPerson | None) -> Iterator[Question]:
    said = [row for row in rows if row.baseline_hbs_pct is not None]
    for earlier, row in itertools.pairwise(said):
        if earlier.baseline_hbs_pct != row.baseline_hbs_pct:
            found = f"baseline_hbs_pct changes from {earlier.baseline_hbs_pct:g} to {row.baseline_hbs_pct:g}"
            yield Question("baseline_change", (row.row,), row.patient_ref, found, "The newest is kept. Is it right?")
    if said and stored is not None and stored.baseline_hbs_pct not in (None, said[-1].baseline_hbs_pct):
        found = f"baseline_hbs_pct {said[-1].baseline_hbs_pct:g}, but {stored.baseline_hbs_pct:g} is stored"
        yield Question("baseline_stored", (said[-1].row,), said[-1].patient_ref, found, "What is stored stays.")


def _bodies(rows: Sequence[HistoryRow], stored: KnownPerson | None) -> Iterator[Question]:
    """Weights that hardly go with the height of their day: one question for each person, with the first of them."""
    height = stored.height_cm if stored is not None else None
    doubted: list[tuple[int, str]] = []
    for row in rows:
        height = row.height_cm or height
        if words := body_words(row.weight_kg, height or math.nan):
            doubted.append((row.row, words))
    if doubted:
        numbers = tuple(sorted(number for number, _ in doubted))
        yield Question("body", numbers, rows[0].patient_ref, doubted[0][1], "Are both right?")


def _climbs(rows: Sequence[HistoryRow]) -> Iterator[Question]:
    """HbS before a session against HbS after the one before, where neither is asked about by itself."""
    for earlier, row in itertools.pairwise(rows):
        if earlier.hbs_post_pct is None or row.hbs_pre_pct is None or _rose(earlier) or _rose(row):
            continue
        if share_words(earlier.hbs_post_pct) or share_words(row.hbs_pre_pct):
            continue
        days = (row.session_date - earlier.session_date).days
        diluted = row.admission_in_gap in ("transfused", "unknown", "yes")
        if found := climb_words(earlier.hbs_post_pct, row.hbs_pre_pct, days, diluted=diluted):
            asks = "A wrong tube, or a session that is not in the file?"
            yield Question("hbs_between", (earlier.row, row.row), row.patient_ref, found, asks)


def _samples(rows: Sequence[HistoryRow]) -> Iterator[Fault | Question]:
    for row in rows:
        day = row.session_date
        before, after = row.pre_sample_at, row.post_sample_at
        if before is not None:
            yield from _sample(
                row, "pre_sample_at", before.on, (day - before.on).days, BEFORE_DAYS_USUAL, BEFORE_DAYS_MOST
            )
        if after is not None:
            yield from _sample(
                row, "post_sample_at", after.on, (after.on - day).days, AFTER_DAYS_USUAL, AFTER_DAYS_MOST
            )
        times = (before.at if before else None, after.at if after else None)
        if times[0] is not None and times[1] is not None and times[1] <= times[0]:
            yield Fault(row.row, "post_sample_at", str(times[1]), f"after pre_sample_at, {times[0]}", "Changed round?")


def _sample(row: HistoryRow, column: str, on: date, days: int, usual: int, most: int) -> Iterator[Fault | Question]:
    """days: how far the sample lies before (pre) or after (post) the day of the session."""
    side = "before" if column == "pre_sample_at" else "after"
    if not 0 <= days <= most:
        limit = row.session_date + timedelta(days=-most if side == "before" else most)
        allowed = f"from the day of the session, {row.session_date}, to {most} days {side} it, {limit}"
        yield Fault(row.row, column, str(on), allowed, "")
    elif days > usual:
        found = f"{column} is {days} days {side} the session of {row.session_date}"
        yield Question("sample_far", (row.row,), row.patient_ref, found, "Is it the sample of this session?")


def _rose(row: HistoryRow) -> bool:
    return row.hbs_pre_pct is not None and row.hbs_post_pct is not None and row.hbs_post_pct > row.hbs_pre_pct


def _unlikely(rows: Sequence[HistoryRow]) -> Iterator[Question]:
    for row in rows:
        where = ((row.row,), row.patient_ref)
        if _rose(row):
            found = f"HbS rose from {row.hbs_pre_pct:g} to {row.hbs_post_pct:g} over an exchange"
            yield Question("hbs_rose", *where, found, "Were before and after changed round?")
        for value in (row.hbs_pre_pct, row.hbs_post_pct):
            if value is not None and (found := share_words(value)):
                yield Question("hbs_share", *where, found, "Is it right?")
        if None not in (row.saline_in_ml, row.red_cells_in_ml, row.blood_out_ml):
            fluid_ml = (row.saline_in_ml or 0.0) + (row.red_cells_in_ml or 0.0)
            if found := balance_words(fluid_ml, row.blood_out_ml or 0.0, row.weight_kg):
                yield Question("balance", *where, found, "Are they right?")
        for name, value in (("before", row.hb_pre_g_l), ("after", row.hb_post_g_l)):
            if value is not None and not LIKELY_HB_G_L[0] <= value <= LIKELY_HB_G_L[1]:
                yield Question("hb_unlikely", *where, f"Hb {name} {value:g} g/L", "Is it right?")
        if row.units is not None and row.red_cells_in_ml is not None and (row.units or row.red_cells_in_ml):
            each = row.red_cells_in_ml / row.units if row.units else math.inf
            if not LIKELY_UNIT_ML[0] <= each <= LIKELY_UNIT_ML[1]:
                found = f"{row.units} units in {row.red_cells_in_ml:g} mL of red cells"
                yield Question("unit_volume", *where, found, "Is it right?")


CHECKS = (_twice, _born_later, _heights, _weights, _methods, _samples, _climbs, _unlikely)
