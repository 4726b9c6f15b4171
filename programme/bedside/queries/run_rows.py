"""The rows of the bedside page: steps, units, entries, and entries made without seeing each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from programme.bedside.numeric.words import entry_words, ml, step_name
from programme.core.models import User
from sessions.day.models import Entry
from sessions.day.numeric.clocks import unit_starts
from sessions.day.numeric.donation_number import spaced
from sessions.day.numeric.entries import MOVED, TIME
from sessions.day.numeric.naming import TIMED, UNDOABLE
from sessions.day.numeric.tally import StepSoFar, Tally, UnitTimes
from sessions.day.queries import clocks_of, times_of
from sessions.models import DonationUnit, UnitState

BEFORE_ITS_START = ("", UnitState.AT_CHAIR, UnitState.CHECKED)
PUT_AWAY = (UnitState.RETURNED, UnitState.DISCARDED)


@dataclass(frozen=True, slots=True)
class StepRow:
    number: int
    name: str
    planned: str
    done: str
    started_at: datetime | None
    ended_at: datetime | None
    state: str  # done, now or waits


@dataclass(frozen=True, slots=True)
class UnitRow:
    """One unit at the chair; `row` None where the plan asks for one that is not here yet."""

    place: int
    row: DonationUnit | None
    checked_by: str
    given_ml: float
    started_at: datetime | None
    ended_at: datetime | None
    state: str
    end_by: datetime | None  # None once it has ended
    from_start: bool  # counted from its start: nobody said when it left storage

    @property
    def number(self) -> str:
        return spaced(self.row.donation_number) if self.row and self.row.donation_number else ""

    @property
    def state_words(self) -> str:
        return UnitState(self.state).label if self.state else "not here yet"


@dataclass(frozen=True, slots=True)
class SlowStart:
    """The slow first minutes of a unit: at most `ml` of it, while somebody watches; `until` None before it starts."""

    place: int
    ml: float
    minutes: float
    until: datetime | None
    given_ml: float = 0.0  # of the unit so far

    @property
    def ml_per_h(self) -> float:
        return 60.0 * self.ml / self.minutes


@dataclass(frozen=True, slots=True)
class LogRow:
    """One entry as said; `happened_at` as put right. `instead` is the time it first had, where that was put right."""

    number: int
    words: str
    happened_at: datetime
    by: str
    why: str
    waited: bool
    undone: bool
    can_undo: bool
    can_time: bool
    instead: datetime | None


@dataclass(frozen=True, slots=True)
class Clash:
    """Two volume entries of two people, or of one on two tablets, made without seeing each other."""

    first: LogRow
    second: LogRow
    mine: int | None  # the one that the person who looks made; None of both or neither


def step_row(step: StepSoFar, state: Tally) -> StepRow:
    planned = step.planned
    current = state.current
    now = current is not None and current.planned.number == planned.number
    return StepRow(
        number=planned.number,
        name=step_name(planned),
        planned=f"{ml(planned.in_ml)} / {ml(planned.out_ml)}",
        done=f"{ml(step.in_ml)} / {ml(step.out_ml)}",
        started_at=step.started_at,
        ended_at=step.ended_at,
        state="done" if step.done else "now" if now else "waits",
    )


TITLES = frozenset({"dr", "mr", "mrs", "ms", "mx", "miss", "prof", "professor", "sister", "sr"})


def initials(name: str) -> str:
    """At most three initials of a name without its title: 'IC' for Dr I. Calloway."""
    parts = [part for part in name.replace(".", " ").split() if part.casefold() not in TITLES]
    return "".join(part[0] for part in parts)[:3].upper()


def unit_rows(rows: Sequence[DonationUnit], state: Tally, settings: Mapping[str, float]) -> tuple[UnitRow, ...]:
    by_place = {row.place: row for row in rows}
    planned = {place for step in state.steps for place in step.planned.units}
    started = unit_starts(state)
    found = []
    here = {place for place, row in by_place.items() if row.state not in PUT_AWAY}
    for place in sorted(planned | here):
        row = by_place.get(place)
        times = times_of(row, state) if row else state.units.get(place, UnitTimes())
        clocks = clocks_of(row, state, settings) if row and times.ended_at is None else None
        checkers = [row.first_checker, row.second_checker] if row else []
        found.append(
            UnitRow(
                place=place,
                row=row,
                checked_by=", ".join(initials(user.full_name) for user in checkers if user),
                given_ml=times.in_ml,
                started_at=times.started_at or started.get(place),
                ended_at=times.ended_at,
                state=row.state if row else "",
                end_by=clocks.end_by if clocks else None,
                from_start=bool(clocks and clocks.from_start),
            )
        )
    return tuple(found)


def slow_start_of(
    units: Sequence[UnitRow], wanted: int | None, settings: Mapping[str, float], at: datetime
) -> SlowStart | None:
    """Return the slow start that runs at `at`, the latest of several; else that of the unit `wanted` next."""
    most, minutes = settings["slow_first_ml"], settings["slow_first_min"]
    if minutes <= 0:
        return None
    starts = {unit.place: unit.started_at for unit in units if unit.state == UnitState.RUNNING and unit.started_at}
    ends = [(started + timedelta(minutes=minutes), place) for place, started in starts.items()]
    until, place = max(ends, default=(at, 0))
    if until > at:
        given = next(unit.given_ml for unit in units if unit.place == place)
        return SlowStart(place, most, minutes, until, given)
    waits = any(unit.place == wanted and unit.state in BEFORE_ITS_START for unit in units)
    return SlowStart(wanted, most, minutes, None) if wanted is not None and waits else None


def log_rows(entries: Sequence[Entry], state: Tally) -> tuple[LogRow, ...]:
    """Newest first."""
    fixes = {
        entry.body["number"]: datetime.fromisoformat(entry.body["happened_at"])
        for entry in entries
        if entry.kind == TIME and entry.number not in state.undone
    }
    rows = []
    for entry in reversed(entries):
        undone = entry.number in state.undone
        fixed = fixes.get(entry.number)
        rows.append(
            LogRow(
                number=entry.number,
                words=entry_words(entry.kind, entry.body),
                happened_at=fixed or entry.happened_at,
                by=initials(entry.by.full_name),
                why=entry.why,
                waited=entry.waited,
                undone=undone,
                can_undo=entry.kind in UNDOABLE and not undone,
                can_time=entry.kind in TIMED and not undone,
                instead=entry.happened_at if fixed else None,
            )
        )
    return tuple(rows)


def clashes_of(state: Tally, log: Sequence[LogRow], entries: Sequence[Entry], viewer: User) -> tuple[Clash, ...]:
    rows = {row.number: row for row in log}
    by = {entry.number: entry.by_id for entry in entries if entry.kind == MOVED}
    found = []
    for pair in state.conflicts:
        mine = [number for number in pair if by[number] == viewer.pk]
        found.append(Clash(rows[pair[0]], rows[pair[1]], mine[0] if len(mine) == 1 else None))
    return tuple(found)
