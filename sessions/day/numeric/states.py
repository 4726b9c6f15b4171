"""The one state machine of an exchange session: which move leads from where to where, and what it asks for.

planned ──authorise──▶ authorised ──start──▶ running ──finish──▶ finished ──close──▶ closed
   ▲                       │                   │                    ▲                  │
   └────────lapse──────────┘                   │                    └────reopen────────┘
planned, authorised ──cancel──▶ cancelled      └──abandon──▶ abandoned
finished ──abandon──▶ abandoned
"""

from dataclasses import dataclass

PLANNED, AUTHORISED, RUNNING, FINISHED, CLOSED = "planned", "authorised", "running", "finished", "closed"
CANCELLED, ABANDONED = "cancelled", "abandoned"
STATES = (PLANNED, AUTHORISED, RUNNING, FINISHED, CLOSED, CANCELLED, ABANDONED)


@dataclass(frozen=True, slots=True)
class Move:
    """One move: `words` complete 'A session that is planned cannot be …'. Who may is in the access matrix."""

    name: str
    sources: tuple[str, ...]
    target: str
    words: str
    needs_reason: bool = False


MOVES: dict[str, Move] = {
    move.name: move
    for move in (
        Move("authorise", (PLANNED,), AUTHORISED, "authorised"),
        Move("lapse", (AUTHORISED,), PLANNED, "taken back to planned", needs_reason=True),
        Move("start", (AUTHORISED,), RUNNING, "started"),
        Move("finish", (RUNNING,), FINISHED, "finished"),
        Move("close", (FINISHED,), CLOSED, "closed"),
        Move("reopen", (CLOSED,), FINISHED, "opened again", needs_reason=True),
        Move("cancel", (PLANNED, AUTHORISED), CANCELLED, "cancelled", needs_reason=True),
        Move("abandon", (RUNNING, FINISHED), ABANDONED, "abandoned", needs_reason=True),
    )
}


def refusal(name: str, state: str, reason: str) -> str | None:
    """Return why the move cannot be made from this state, or None where it can.

    Raises: KeyError for a move that does not exist.
    """
    move = MOVES[name]
    if state not in move.sources:
        allowed = " or ".join(move.sources)
        return f"A session that is {state} cannot be {move.words}; it must be {allowed}."
    if move.needs_reason and not reason.strip():
        return f"Say why the session is {move.words}: the reason is kept with it."
    return None
