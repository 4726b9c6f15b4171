"""How long a sign-in lasts: so long after the last action, and so long at all.

What is needed for it lies in the session of the browser, so no page asks a query for it; what a site has decided holds
from the next sign-in on. Who did nothing for a while comes back with the password alone, to the same end.
"""

from __future__ import annotations

from collections.abc import MutableMapping
from datetime import datetime
from typing import Any, TypeAlias

Kept: TypeAlias = MutableMapping[str, Any]
TIMES = "times"
"""In the session: {'since': sign-in with all proofs, 'seen': last action, 'idle_s': …, 'longest_s': …}, UTC seconds."""
RETURNING = "returning"
"""In the session after a time-out: {'name': …, 'hash': of the account as it was, 'since': …, 'until': …}."""
SET_BACK_S = 60
"""A clock that is put right by less than this changes nothing. Chosen here; not from a source."""
NOTED_EVERY_S = 60
"""An action within this time of the last one is not noted: one write of the session a minute at most."""


def begin(kept: Kept, *, idle_min: float, hours: float, at: datetime, since: float | None = None) -> None:
    """Note a sign-in; since: when all proofs were given, for who comes back with the password alone."""
    now = at.timestamp()
    started = now if since is None else since
    kept[TIMES] = {"since": started, "seen": now, "idle_s": 60 * idle_min, "longest_s": 3600 * hours}


def is_over(kept: Kept, at: datetime) -> bool:
    """Say whether the sign-in has ended; one whose times are not known goes by the age of its cookie alone.

    It has ended too where the clock was set back since: how long nothing was done can no longer be said.
    """
    times = kept.get(TIMES)
    now = at.timestamp()
    return times is not None and (
        now - times["seen"] >= times["idle_s"]
        or now - times["since"] >= times["longest_s"]
        or now < times["seen"] - SET_BACK_S
    )


def act(kept: Kept, at: datetime) -> None:
    """Note an action of the person; what a page asks for by itself is none."""
    times = kept.get(TIMES)
    if times is not None and at.timestamp() - times["seen"] >= NOTED_EVERY_S:
        kept[TIMES] = {**times, "seen": at.timestamp()}


def came_from(kept: Kept, *, name: str, account: str, at: datetime) -> dict[str, Any] | None:
    """Return what is kept for a quick return of `name`; None once the sign-in has lasted as long as it may."""
    times = kept.get(TIMES)
    if times is None or not -SET_BACK_S <= at.timestamp() - times["since"] < times["longest_s"]:
        return None
    until = times["since"] + times["longest_s"]
    return {"name": name, "hash": account, "since": times["since"], "until": until}


def may_return(kept: Kept, at: datetime) -> dict[str, Any] | None:
    """Return who may come back here with the password alone; None if nobody, or too late."""
    said: dict[str, Any] | None = kept.get(RETURNING)
    return said if said is not None and said["since"] - SET_BACK_S <= at.timestamp() < said["until"] else None
