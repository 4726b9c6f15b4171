"""People of the programme taken apart: by age, by ceiling, by how their exchanges are done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from programme.review.queries.columns import Person
from sessions.models import Method

ADULT_YEARS = 18.0


@dataclass(frozen=True, slots=True)
class Group:
    """Some of the people [P], with what they have in common."""

    key: str
    name: str
    members: npt.NDArray[np.bool_]


def _age(who: Person) -> tuple[str, str]:
    if who.age_years is None:
        return "unknown", "age not recorded"
    return ("under18", "under 18") if who.age_years < ADULT_YEARS else ("from18", "18 and over")


def _ceiling(who: Person) -> tuple[str, str]:
    """Bands around the two ceilings in common use, 30 and 50 % (common practice)."""
    if who.ceiling_pct <= 30.0:
        return "to30", "ceiling to 30 %"
    return ("to50", "ceiling over 30, under 50 %") if who.ceiling_pct < 50.0 else ("from50", "ceiling 50 % or over")


def _method(who: Person) -> tuple[str, str]:
    return who.method or "unknown", Method(who.method).label if who.method else "method not recorded"


GROUPINGS: dict[str, tuple[str, Callable[[Person], tuple[str, str]]]] = {
    "age": ("age", _age),
    "ceiling": ("ceiling", _ceiling),
    "method": ("method", _method),
}
ORDER = ("under18", "from18", "to30", "to50", "from50", *(str(one) for one in Method if one), "unknown")


def groups_of(people: tuple[Person, ...], by: str) -> tuple[Group, ...]:
    """Return who belongs where, by what holds on the last day of the span; one group of everybody without `by`."""
    if not by:
        return (Group("", "everybody", np.ones(len(people), bool)),)
    keyed = [GROUPINGS[by][1](who) for who in people]
    return tuple(
        Group(key, name, np.array([said == (key, name) for said in keyed], dtype=bool))
        for key, name in sorted(set(keyed), key=lambda one: ORDER.index(one[0]))
    )
