"""Whose result it is: reference and birth date must both agree. Anything less waits for a person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

ABOUT_TWO = frozenset({"two_people_fit", "reference_differs", "withdrawn_unmatched", "same_id_other_content"})
"""Reasons to ask a person, whose sentence names somebody else beside the one it was about."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody of the unit who may be meant."""

    key: int
    reference: str
    birth_date: date | None


@dataclass(frozen=True, slots=True)
class Matched:
    key: int


@dataclass(frozen=True, slots=True)
class Unmatched:
    """Nobody fits for certain: reason code, sentence, and who comes near, the closest first."""

    reason: str
    sentence: str
    near: tuple[int, ...] = ()


def match(reference: str, birth_date: date | None, people: Sequence[Person], *, trusted: bool) -> Matched | Unmatched:
    """Return the one person whom reference and birth date both name, or why there is none.

    people: all of the unit with that reference in any spelling, or with that birth date. trusted: the unit takes this
    sender's references without a birth date beside them; one that is sent must agree all the same.
    """
    exact = next((person for person in people if person.reference == reference), None)
    if exact is not None and birth_date is None and trusted:
        return Matched(exact.key)
    if exact is not None and birth_date is not None and exact.birth_date == birth_date:
        return Matched(exact.key)
    same_day = [person for person in people if birth_date is not None and person.birth_date == birth_date]
    if exact is None:
        return _no_such_reference(reference, birth_date, people, same_day)
    if birth_date is None:
        return Unmatched("no_birth_date", f"{reference} is known, but no birth date was sent beside it.", (exact.key,))
    if exact.birth_date is None:
        words = f"{reference} has no birth date recorded here; {birth_date:%-d %b %Y} was sent."
        return Unmatched("birth_date_differs", words, (exact.key,))
    said = f"Sent with {reference} and birth date {birth_date:%-d %b %Y}"
    if same_day:
        others = ", ".join(person.reference for person in same_day)
        words = f"{said}, which is that of {others}; {reference} was born {exact.birth_date:%-d %b %Y}."
        return Unmatched("two_people_fit", words, (exact.key, *(person.key for person in same_day)))
    words = f"{said}; {reference} was born {exact.birth_date:%-d %b %Y}: {differing(birth_date, exact.birth_date)}."
    return Unmatched("birth_date_differs", words, (exact.key,))


def _no_such_reference(
    reference: str, birth_date: date | None, people: Sequence[Person], same_day: Sequence[Person]
) -> Unmatched:
    spelt = [person for person in people if _plain(person.reference) == _plain(reference)]
    near = [*spelt, *sorted(same_day, key=lambda person: _unlike(person.reference, reference))]
    if not near:
        return Unmatched("unknown_person", f"Nobody here has the reference {reference!r} or that birth date.")
    closest = near[0]
    words = f"Nobody here has the reference {reference!r}. Nearest is {closest.reference}: "
    words += "the same but for spelling" if closest in spelt else "the same birth date"
    if closest in spelt and birth_date is not None and closest.birth_date != birth_date:
        words += ", and another birth date"
    return Unmatched("reference_differs", words + ".", tuple(dict.fromkeys(person.key for person in near)))


def differing(sent: date, recorded: date) -> str:
    """Name in words what differs between two birth dates."""
    if (sent.year, sent.month, sent.day) == (recorded.year, recorded.day, recorded.month):
        return "day and month are swapped"
    parts = [name for name in ("day", "month", "year") if getattr(sent, name) != getattr(recorded, name)]
    return f"the {' and the '.join(parts)} {'differs' if len(parts) == 1 else 'differ'}"


def _plain(reference: str) -> str:
    return "".join(letter for letter in reference.casefold() if letter.isalnum())


def _unlike(one: str, other: str) -> int:
    """Return how many letters must be changed, added or left out to make one of the other."""
    row = list(range(len(other) + 1))
    for place, letter in enumerate(_plain(one), start=1):
        above, row[0] = row[0], place
        for at, wanted in enumerate(_plain(other), start=1):
            above, row[at] = row[at], min(row[at] + 1, row[at - 1] + 1, above + (letter != wanted))
    return row[len(_plain(other))]
