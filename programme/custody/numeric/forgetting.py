"""Taking one person out of what is stored of many at once, and finding words that name them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

SOMEBODY = "somebody"


def names(text: str, words: Iterable[str]) -> bool:
    """Say whether a text holds any of these words (references, names) as whole words, in capitals or not."""
    return any(re.search(_whole(word), text, re.IGNORECASE) for word in words if word.strip())


def without(stored: Any, reference: str, name: str) -> Any:
    """Return stored plain data (dicts, lists, text) without one person; nothing else of it changes.

    What stands under their reference goes, and each table with their reference as its `patient_ref`; where a text
    names them it says 'somebody' instead. name: as pages print it, '' where none is recorded.
    """
    if isinstance(stored, dict):
        return {key: without(part, reference, name) for key, part in stored.items() if key != reference}
    if isinstance(stored, list):
        return [without(part, reference, name) for part in stored if not _is_theirs(part, reference)]
    if isinstance(stored, str):
        for word in filter(None, (name, reference)):
            stored = re.sub(_whole(word), SOMEBODY, stored)
    return stored


def _is_theirs(part: Any, reference: str) -> bool:
    return part == reference or (isinstance(part, dict) and part.get("patient_ref") == reference)


def _whole(word: str) -> str:
    return rf"(?<![\w-]){re.escape(word.strip())}(?![\w-])"
