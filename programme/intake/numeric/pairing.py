"""When a filed result must ask whether it is from before or after a session."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from sessions.numeric.pairing import LooseResult, SessionTimes

LONGEST = timedelta(hours=24)
"""A session without a recorded end is taken to be over by then. Chosen here; not from a source."""


def doubtful_session(result: LooseResult, sessions: Sequence[SessionTimes]) -> SessionTimes | None:
    """Return the session to which a result that no rule could place may belong, None where none is near.

    Near: taken on the session's day; or, where both times are known, after its start and not after its end.
    """
    for session in sessions:
        if result.taken_at is not None and session.started_at is not None:
            ends = session.ended_at or session.started_at + LONGEST
            if session.started_at <= result.taken_at < ends:
                return session
        elif result.taken_on == session.on:
            return session
    return None
