"""Entries that name earlier ones: what an undo, a time put right and a settled conflict may name."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

from sessions.day.numeric.entries import (
    BOTH,
    MOVED,
    NOTE,
    OBSERVATION,
    PAUSE,
    RESUME,
    STEP_DONE,
    TIME,
    TOTALS,
    UNDO,
    UNIT_ENDED,
    UNIT_STARTED,
)
from sessions.day.numeric.tally import UnitTimes

UNDOABLE = frozenset({MOVED, STEP_DONE, TOTALS, OBSERVATION, PAUSE, RESUME, NOTE, TIME, BOTH})
"""Units are taken back on their own page, for their state and checks stand there."""
TIMED = frozenset({MOVED, STEP_DONE, OBSERVATION, PAUSE, RESUME, NOTE, UNIT_STARTED, UNIT_ENDED})
"""Totals are not among them: their times are in them, and are put right by undoing them and entering them again."""
LONGEST_BEFORE_START = timedelta(hours=4)
LONGEST_OVER_MIDNIGHT = timedelta(hours=4)
"""A time put right further than this from what stood is of the same day. Chosen here."""


def named_in(kind: str, body: Mapping[str, Any]) -> tuple[int, ...]:
    """Return the numbers of the entries that this one names; nothing for most kinds."""
    if kind in (UNDO, TIME):
        return (body["number"],)
    return tuple(body["numbers"]) if kind == BOTH else ()


def faults_among(
    kind: str,
    body: Mapping[str, Any],
    *,
    kinds: Mapping[int, str],
    undone: frozenset[int],
    at: datetime,
    started_at: datetime | None,
) -> tuple[str, ...]:
    """Return a sentence for everything that keeps this entry from standing among those of its session.

    kinds: of the entries it names, by number; one that is missing does not exist. undone: of these, which were undone.
    at: now. started_at: of the session, where it has started.
    """
    named, faults = named_in(kind, body), []
    for number in named:
        faults += _unknown(kind, number, kinds, undone)
    if kind == BOTH and (len(set(named)) < 2 or any(kinds.get(number, MOVED) != MOVED for number in named)):
        faults.append("Two different volume entries are named to say that both happened.")
    if kind == TIME:
        faults += moment_faults(datetime.fromisoformat(str(body["happened_at"])), at, started_at)
    return tuple(faults)


def _unknown(kind: str, number: int, kinds: Mapping[int, str], undone: frozenset[int]) -> list[str]:
    named = kinds.get(number)
    if named is None:
        return [f"Entry {number} does not exist in this session."]
    if number in undone:
        return [f"Entry {number} was undone already."]
    allowed = {UNDO: UNDOABLE, TIME: TIMED}.get(kind)
    if allowed is not None and named not in allowed:
        words = "undone here" if kind == UNDO else "put right in time"
        return [f"Entry {number} ({named.replace('_', ' ')}) cannot be {words}."]
    return []


def moment_near(was: datetime, clock: time, zone: tzinfo) -> datetime:
    """Return when a clock in `zone` showed `clock`, about the moment `was`: on its day, or over midnight where that is
    near (LONGEST_OVER_MIDNIGHT).

    Raises: ValueError for an hour that the change of clocks leaves out; of one that it repeats the nearer counts.
    """
    today = was.astimezone(zone).date()
    of_the_day = _shown(today, clock, was, zone)
    others = [_shown(today + timedelta(days=days), clock, was, zone) for days in (-1, 1)]
    nearest = min(others, key=lambda moment: abs(moment - was))
    is_near = abs(nearest - was) <= min(LONGEST_OVER_MIDNIGHT, abs(of_the_day - was))
    found = (nearest if is_near else of_the_day).astimezone(zone)
    if found.time() != clock:
        raise ValueError(f"{clock:%H:%M} did not exist on that day: the clocks went forward.")
    return found


def _shown(on: date, clock: time, was: datetime, zone: tzinfo) -> datetime:
    """When a clock shows a time on a day, in UTC: moments of one zone are told apart by their clocks alone."""
    moments = [datetime.combine(on, clock.replace(fold=fold), tzinfo=zone).astimezone(UTC) for fold in (0, 1)]
    return min(moments, key=lambda moment: abs(moment - was))


def moment_faults(moment: datetime, at: datetime, started_at: datetime | None) -> list[str]:
    """Return a sentence where a moment of a session, as it was typed, cannot be; `at` is now."""
    if moment > at:
        return [f"{moment.isoformat(timespec='minutes')} is in the future."]
    if started_at is not None and moment < started_at - LONGEST_BEFORE_START:
        return [f"{moment.isoformat(timespec='minutes')} is more than 4 h before the session was started."]
    return []


def unit_time_faults(
    place: int, times: UnitTimes, *, checked_at: datetime | None, began: datetime | None, zone: tzinfo
) -> tuple[str, ...]:
    """Return a sentence where the times of a unit, as they would stand, cannot be; shown on the clock of `zone`.

    checked_at: of its check; began: the start checks of the session; None where they are not asked about. A start in
    the minute of either stands, for times are typed to the minute.
    """
    start, end, faults = times.started_at, times.ended_at, []
    if start is None:
        return ()
    before = f"cannot have been started before, at {_clock(start, zone)}. What was otherwise is kept as a note."
    if checked_at is not None and start < checked_at.replace(second=0, microsecond=0):
        faults.append(f"Unit {place} was checked at {_clock(checked_at, zone)}: it {before}")
    if began is not None and start < began.replace(second=0, microsecond=0):
        made = f"The start checks of this session were made at {_clock(began, zone)}"
        faults.append(f"{made}: unit {place} {before}")
    if end is not None and end < start:
        faults.append(
            f"Unit {place} would end at {_clock(end, zone)}, before its start at {_clock(start, zone)}: put the other "
            "time right first."
        )
    return tuple(faults)


def _clock(moment: datetime, zone: tzinfo) -> str:
    return f"{moment.astimezone(zone):%H:%M}"
