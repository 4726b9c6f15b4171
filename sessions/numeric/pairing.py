"""Which session a result belongs to, as before or after, where nobody has said so."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

AFTER_HOURS = 24.0
"""A sample up to so long after the end counts as after the session. Chosen here; not from a source."""


@dataclass(frozen=True, slots=True)
class LooseResult:
    """A result without a session. taken_at: None where only the day is known."""

    key: int
    analyte: str
    taken_on: date
    taken_at: datetime | None


@dataclass(frozen=True, slots=True)
class SessionTimes:
    """A session that was carried out. started_at, ended_at: None where only the day is known."""

    key: int
    on: date
    started_at: datetime | None
    ended_at: datetime | None


@dataclass(frozen=True, slots=True)
class Pair:
    result: int
    session: int
    position: str


def pair_results(
    results: Sequence[LooseResult],
    sessions: Sequence[SessionTimes],
    taken: set[tuple[int, str, str]],
    *,
    before_hours: float,
) -> list[Pair]:
    """Return the pairs that times or days alone make certain; all others are left to a person.

    taken: (session, position, analyte) that have a result already. before_hours: how long ahead a result counts.
    A result of the session's own day goes in only where both times are known. Of several results the nearest goes in.
    """
    fitting = []
    for result in results:
        for session in sessions:
            position, hours = _fit(result, session, before_hours)
            if position:
                fitting.append((hours, result.key, session.key, position, result.analyte))
    pairs: list[Pair] = []
    used: set[int] = set()
    filled = set(taken)
    for _, result_key, session_key, position, analyte in sorted(fitting):
        place = (session_key, position, analyte)
        if result_key not in used and place not in filled:
            pairs.append(Pair(result_key, session_key, position))
            used.add(result_key)
            filled.add(place)
    return pairs


def _fit(result: LooseResult, session: SessionTimes, before_hours: float) -> tuple[str, float]:
    """Return the position ('' for none) and how many hours the sample lies from the session."""
    if result.taken_at is not None and session.started_at is not None:
        ahead = (session.started_at - result.taken_at) / timedelta(hours=1)
        if 0 <= ahead <= before_hours:
            return "before", ahead
        since = (result.taken_at - (session.ended_at or session.started_at)) / timedelta(hours=1)
        if session.ended_at is not None and 0 <= since <= AFTER_HOURS:
            return "after", since
        return "", 0.0
    days = (session.on - result.taken_on).days
    return ("before", 24.0 * days) if 1 <= days <= before_hours / 24 else ("", 0.0)
