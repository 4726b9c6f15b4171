"""One entry as it arrives: from the queue of the script, or from a plain form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

MOST_FIELDS, LONGEST_FIELD, LONGEST_TABLET = 20, 500, 40


class NotSent(ValueError):
    """What arrived is no entry."""


@dataclass(frozen=True, slots=True)
class Sent:
    """key: made in the browser. by: the person who made it. fields: as typed. waited_s: kept in the browser for.

    tablet: of the browser it was made in; '' of a plain form.
    """

    key: str
    kind: str
    by: int
    fields: Mapping[str, str]
    seen: int = 0
    waited_s: float = 0.0
    tablet: str = ""

    @classmethod
    def of_form(cls, typed: Mapping[str, str]) -> Sent:
        """A plain form: its one-time key is the key of the entry, and it is sent by who is signed in."""
        seen = typed.get("seen", "")
        return cls(
            key=typed.get("receipt", ""),
            kind=typed.get("kind", ""),
            by=0,
            fields=typed,
            seen=int(seen) if seen.isdecimal() and len(seen) < 9 else 0,
        )


def read_sent(said: Any) -> Sent:
    """Return what the script sent. Raises NotSent where it is not of the right shape."""
    if not isinstance(said, dict):
        raise NotSent("an entry is an object")
    fields = said.get("fields")
    if not isinstance(fields, dict) or len(fields) > MOST_FIELDS:
        raise NotSent("fields are missing")
    if any(not isinstance(value, str) or len(value) > LONGEST_FIELD for value in fields.values()):
        raise NotSent("a field is no text, or too long")
    waited, seen, by = said.get("waited_s", 0), said.get("seen", 0), said.get("by", -1)
    if isinstance(waited, bool) or not isinstance(waited, int | float) or not math.isfinite(waited):
        raise NotSent("waited_s is no number")
    if any(isinstance(one, bool) or not isinstance(one, int) or one < 0 for one in (seen, by)):
        raise NotSent("seen and by are whole numbers")
    key, kind, tablet = said.get("key"), said.get("kind"), said.get("tablet", "")
    if not isinstance(key, str) or not isinstance(kind, str):
        raise NotSent("key and kind are texts")
    if not isinstance(tablet, str) or len(tablet) > LONGEST_TABLET:
        raise NotSent("tablet is no text, or too long")
    return Sent(key, kind, by, fields, seen, float(max(waited, 0)), tablet)
