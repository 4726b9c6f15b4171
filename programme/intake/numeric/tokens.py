"""What a token of a sender opens, and for how long."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

KINDS = ("Observation", "DiagnosticReport", "Bundle")
"""Kinds of FHIR resource that a token may be for, each posted to an address of its own."""
USUAL_DAYS, MOST_DAYS, WARN_DAYS = 365, 730, 30
"""Days that a token opens where nobody says otherwise; at most; before its end, from when that is said. Chosen here."""


class BadToken(ValueError):
    """A token cannot be made like that; says what is allowed."""


def end_of(at: datetime, days: int) -> datetime:
    """Return when a token given at a moment ends. days: 1 to MOST_DAYS; raises BadToken."""
    if not 1 <= days <= MOST_DAYS:
        raise BadToken(f"days: {days} is not allowed; allowed is 1 to {MOST_DAYS}.")
    return at + timedelta(days=days)


def scope_of(kinds: Iterable[str]) -> str:
    """Return kinds as they are kept: in one order, parted by blanks. Raises BadToken for none, or an unknown one."""
    asked = set(kinds)
    wrong = sorted(asked - set(KINDS))
    if wrong or not asked:
        said = ", ".join(wrong) or "nothing"
        raise BadToken(f"kinds: {said} is not allowed; allowed is at least one of {', '.join(KINDS)}.")
    return " ".join(kind for kind in KINDS if kind in asked)


def days_left(until: datetime, at: datetime) -> int:
    """Return whole days from `at` until a token ends, 0 on its last day, negative once it has ended."""
    return (until - at) // timedelta(days=1)
