"""What a person can decide about an item of the inbox: the safe choice first, and none taken beforehand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

PERSON, UNIT = "person:", "unit:"


@dataclass(frozen=True, slots=True)
class Choice:
    """One choice. asks_why: it puts something into a course, so the reason is kept with it."""

    code: str
    words: str
    asks_why: bool = False


RETURN = Choice("return", "Return to the laboratory")
LEAVE_OUT = Choice("leave_out", "Leave it out")
NOTED = Choice("noted", "Noted")
READ_AGAIN = Choice("read_again", "Read it again")
_HELD = (LEAVE_OUT, Choice("accept", "It is right: file it", asks_why=True))

_BY_REASON: Mapping[str, tuple[Choice, ...]] = {
    "far_from_last": _HELD,
    "same_sample": _HELD,
    "after_withdrawal": (LEAVE_OUT, Choice("newest", "Use this one", asks_why=True)),
    "fractions": _HELD,
    "comparator": (LEAVE_OUT, Choice("accept", "File the limit as the value", asks_why=True)),
    "share_not_percent": _HELD,
    "same_id_other_content": (Choice("keep", "Keep the earlier one"), Choice("newest", "Use this one", asks_why=True)),
    "withdrawn_unmatched": (Choice("withdraw", "Take it out of the course"), Choice("keep", "Keep it", asks_why=True)),
    "before_or_after": (Choice("neither", "Neither"), Choice("before", "Before it"), Choice("after", "After it")),
    "unknown_person": (RETURN, READ_AGAIN),
    "unknown_code": (LEAVE_OUT, READ_AGAIN),
    "unreadable": (RETURN, READ_AGAIN),
    "group_differs": (Choice("noted", "The laboratory was told"),),
    "group_not_recorded": (NOTED,),
    "antibody_screen": (Choice("noted", "The blood bank was asked"),),
    "message_id_again": (NOTED,),
    "plan_lapsed": (NOTED,),
    "hb_after_high": (Choice("noted", "A prescriber was told"),),
    "withdrawn": (NOTED,),
}
OF_ONE_TUBE = (frozenset({"far_from_last", "same_sample"}), frozenset({"fractions"}))
"""Reasons for which all that came from one sample is decided in one touch."""
OF_A_TUBE = frozenset[str]().union(*OF_ONE_TUBE)
WHOSE = frozenset({"two_people_fit", "birth_date_differs", "reference_differs", "no_birth_date"})
TITLES: Mapping[str, str] = {
    "far_from_last": "Implausible for this person",
    "same_sample": "From a sample that is in doubt",
    "after_withdrawal": "Sent again after it was withdrawn",
    "fractions": "Fractions do not add up",
    "comparator": "A limit, not a value",
    "share_not_percent": "A share instead of percent?",
    "same_id_other_content": "The same result again, with other content",
    "withdrawn_unmatched": "Withdrawn for somebody else",
    "before_or_after": "Before or after the session?",
    "unknown_person": "Nobody fits",
    "unknown_code": "The code is not known",
    "unknown_unit": "The unit is not taken",
    "no_unit": "No unit was sent",
    "not_a_number": "Not a number",
    "impossible": "Not possible",
    "no_time": "No time of the sample",
    "future": "Taken in the future",
    "before_birth": "Taken before birth",
    "unreadable": "A message that cannot be read",
    "antibody_screen": "An antibody screen that is not negative",
    "group_differs": "Another blood group",
    "group_not_recorded": "A group to compare with is missing",
    "message_id_again": "A message id used twice",
    "plan_lapsed": "A signed plan has lapsed",
    "hb_after_high": "Hb after a session is too high",
    "withdrawn": "Withdrawn by the laboratory",
    "two_people_fit": "Two people fit",
    "birth_date_differs": "The birth date differs",
    "reference_differs": "The reference differs",
    "no_birth_date": "No birth date was sent",
}


def choices_for(reason: str, *, near: Sequence[tuple[int, str]] = (), units: Sequence[str] = ()) -> tuple[Choice, ...]:
    """Return what can be decided, the safe choice first. near: people who may be meant, key and name."""
    if reason in WHOSE:
        people = tuple(Choice(f"{PERSON}{key}", f"It is {name}", asks_why=True) for key, name in near)
        return (RETURN, *people)
    if reason == "no_unit":
        return (RETURN, *(Choice(f"{UNIT}{unit}", f"It is {unit}", asks_why=True) for unit in units))
    return _BY_REASON.get(reason, (RETURN, READ_AGAIN))


def decided_with(reason: str, choice: str) -> frozenset[str]:
    """Return the reasons for which other results of the same sample are decided together with one."""
    if choice not in ("accept", LEAVE_OUT.code):
        return frozenset()
    return next((together for together in OF_ONE_TUBE if reason in together), frozenset())


def lets_count(choice: str) -> bool:
    """Say whether a choice lets what arrived count, so that a later version of it has to be decided first."""
    return choice in ("accept", "newest", READ_AGAIN.code) or choice.startswith((PERSON, UNIT))


def near_keys(about: Mapping[str, Any]) -> tuple[int, ...]:
    """Return the keys of the people who may be meant, the closest first."""
    return tuple(int(key) for key in about.get("near", ()))
