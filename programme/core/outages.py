"""What of the machine stood in the way of a page, in words for whoever sat before it."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from django.db import InterfaceError, OperationalError

NO_ROOM_IN_POSTGRESQL = "53100"
"""Its code for a full disk: PostgreSQL documentation, appendix A, class 53."""


@dataclass(frozen=True, slots=True)
class Outage:
    """heading and words: for the page; None of them names a person, a path or an address."""

    heading: str
    words: str


NO_ROOM = Outage(
    "No room to save",
    "The disk on which Ebbline keeps its records is full. Nothing of this request was saved, and nothing can be until "
    "there is room again. Tell the person who runs Ebbline at your unit at once. Until then write on paper what is "
    "done; entries that wait in a tablet are sent by themselves.",
)
NO_ANSWER = Outage(
    "The records cannot be reached",
    "The database of Ebbline does not answer. What you sent is saved whole or not at all: look which, once it answers, "
    "before you enter it again. Try again in a minute; if it happens again, tell the person who runs Ebbline at your "
    "unit. Until then write on paper what is done; entries that wait in a tablet are sent by themselves.",
)


def outage_of(error: BaseException | None) -> Outage | None:
    """Return what stood in the way where `error` came of it, None where the fault is another."""
    chain = tuple(_with_causes(error))
    if any(_is_no_room(one) for one in chain):
        return NO_ROOM
    if any(_is_own_mistake(one) for one in chain):
        return None
    return NO_ANSWER if any(isinstance(one, OperationalError | InterfaceError) for one in chain) else None


def _with_causes(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)


def _is_no_room(error: BaseException) -> bool:
    if isinstance(error, sqlite3.Error):
        return getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL
    if isinstance(error, OSError):
        return error.errno == errno.ENOSPC
    return getattr(error, "sqlstate", None) == NO_ROOM_IN_POSTGRESQL


def _is_own_mistake(error: BaseException) -> bool:
    """Say whether SQLite answered, and could not make sense of the statement: such an OperationalError is no outage."""
    return isinstance(error, sqlite3.Error) and getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_ERROR
