"""JSON as strictly as FHIR means it: UTF-8, no name twice, no depth without end, numbers kept as they were written."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

from programme.intake.numeric.arrivals import Unreadable

DEEPEST = 40
MOST_BYTES = 1_000_000
_NEST = re.compile(r'"(?:[^"\\]|\\.)*"|[\[{]|[\]}]', re.DOTALL)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


class Number(str):
    """A JSON number as it was written, told apart from a text."""

    __slots__ = ()


def load(body: bytes) -> dict[str, Any]:
    """Return the object that a body holds. Raises Unreadable for anything else, with what is wrong."""
    if len(body) > MOST_BYTES:
        raise Unreadable(f"It has {len(body)} bytes; allowed are {MOST_BYTES}.")
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Unreadable(f"Byte {error.start} is not UTF-8.") from error
    _refuse_depth(text)
    try:
        found = json.loads(
            text, object_pairs_hook=_once, parse_float=Number, parse_int=Number, parse_constant=_refuse_constant
        )
    except json.JSONDecodeError as error:
        raise Unreadable(f"It is not JSON: line {error.lineno}, letter {error.colno}: {error.msg}.") from error
    if not isinstance(found, dict):
        raise Unreadable("It is not a JSON object.")
    for words in _texts(found):
        if _CONTROL.search(words):
            raise Unreadable("A text in it holds a control character or half of a pair of surrogates.")
    return found


def _refuse_depth(text: str) -> None:
    depth = 0
    for found in _NEST.finditer(text):
        sign = found[0]
        depth += (sign in "[{") - (sign in "]}")
        if depth > DEEPEST:
            raise Unreadable(f"It is nested more than {DEEPEST} deep.")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Unreadable(f"The name {twice[:40]!r} stands twice in one object.")
    return found


def _refuse_constant(name: str) -> None:
    raise Unreadable(f"{name} is no number in JSON.")


def _texts(found: object) -> Iterator[str]:
    waiting = [found]
    while waiting:
        one = waiting.pop()
        if isinstance(one, str):
            yield one
        elif isinstance(one, dict):
            waiting += [*one, *one.values()]
        elif isinstance(one, list):
            waiting += one
