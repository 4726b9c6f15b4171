"""What of a refusal is kept: the place and kind of fault, never a value, which may be somebody's reference."""

from __future__ import annotations

import re

_QUOTED = re.compile(r"""(?<!\w)'(?:[^'\\]|\\.)*'|"(?:[^"\\]|\\.)*\"""")
_NUMBERED = re.compile(r"\[\d+\]")


def without_values(words: str) -> str:
    """Return the words of a refusal without what they quote and without numbers of entries, so that alike ones are one.

    A quote begins after no letter: the apostrophe of "the unit's own" is none.
    """
    return _NUMBERED.sub("[…]", _QUOTED.sub("…", words))
