"""The states of an order, how it may move between them, and its units counted by where they are."""

from collections.abc import Iterable
from dataclasses import dataclass

DRAFTED, SENT, PART, CONFIRMED, ARRIVED = "drafted", "sent", "part", "confirmed", "arrived"
ENDED, CANCELLED = "ended", "cancelled"

MOVES: dict[str, tuple[str, ...]] = {
    "send": (DRAFTED,),
    "answer": (SENT, PART, CONFIRMED, ARRIVED),
    "arrive": (SENT, PART, CONFIRMED, ARRIVED),
    "renew": (DRAFTED, SENT, PART, CONFIRMED, ARRIVED),
    "release": (DRAFTED, SENT, PART, CONFIRMED, ARRIVED),
    "tell": (SENT, PART, CONFIRMED, ARRIVED),
}
"""What can be done with an order in each state; what has ended or was cancelled stays as it is."""


def state_after_answer(confirmed: int, units: int) -> str:
    """Return the state of an order of so many units of which so many are confirmed."""
    if confirmed <= 0:
        return SENT
    return CONFIRMED if confirmed >= units else PART


@dataclass(frozen=True, slots=True)
class Tally:
    """The units that came in, by where each of them is."""

    came: int
    here: int
    issued: int
    given: int
    returned: int
    discarded: int


def tally(states: Iterable[str]) -> Tally:
    """Count units by state; came is the sum of the others. Raises KeyError for an unknown state."""
    counts = dict.fromkeys(("arrived", "issued", "given", "returned", "discarded"), 0)
    for state in states:
        counts[state] += 1
    return Tally(
        came=sum(counts.values()),
        here=counts["arrived"],
        issued=counts["issued"],
        given=counts["given"],
        returned=counts["returned"],
        discarded=counts["discarded"],
    )
