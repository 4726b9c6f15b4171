"""What the planner is told about people, beside their sessions; and what may be asked of it."""

from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.limits import Limits
from programme.planning.numeric.opendays import OpenDays
from programme.planning.numeric.search import Before
from sessions.numeric.attendance import Attendance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Why nothing is suggested; the first that applies.
AVAILABLE, LEFT, LOCKED, PREGNANT, TRANSFUSION_UNKNOWN, NO_SESSION, NO_RESULT, NO_BODY, NO_FORECAST = range(9)

_REASONS = {
    LEFT: "Not on the programme at present, so nothing is suggested.",
    LOCKED: "Possible haemolysis: a haematologist decides before any red cells.",
    PREGNANT: "Pregnancy: formula and personal figures do not hold until a prescriber sets blood volume and goals.",
    TRANSFUSION_UNKNOWN: "Something unknown was transfused elsewhere since the last session; "
    "enter what was given, else a prescriber decides the session.",
    NO_SESSION: "No exchange session is on record.",
    NO_BODY: "No blood volume: sex, height or weight is missing.",
    NO_FORECAST: "No forecast can be made from the results on record.",
}


def reason_sentence(bar: int, results_stale_days: float) -> str | None:
    """Why nothing is suggested, as a sentence; None for AVAILABLE."""
    if bar == NO_RESULT:
        return f"No session of the last {results_stale_days:.0f} days has an HbS result."
    return _REASONS.get(bar)


@dataclass(frozen=True, slots=True)
class PeopleInputs:
    """P people as on a day; arrays [P], nan where nobody said."""

    bar: Ints  # AVAILABLE, or what is known to bar a suggestion: LEFT, LOCKED, PREGNANT, TRANSFUSION_UNKNOWN
    ceiling_pct: Floats
    accepted_chance: Floats
    shortest_days: Floats
    soonest_days: Floats  # least until the next session: the shortest interval, less after one that was given up
    longest_days: Floats
    accepted_interval_days: Floats  # set by a person; nan takes the usual one of the latest sessions
    end_target_pct: Floats  # set by a person; nan lets it be reckoned
    before: Before  # Hb to expect at the next session, volume and mixing
    limits: Limits
    open_days: OpenDays
    usual_weekday: Ints  # Monday 0, −1 for none
    attendance: Attendance
    last_hbs_day: Floats  # ordinal
    usual_hb_after_g_l: Floats  # after their sessions before the last one


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Questions put to everybody at once; None leaves the person's own."""

    ceiling_pct: float | None = None
    accepted_chance: float | None = None
    interval_days: int | None = None
    one_arm: bool | None = None


def taken(value: Any, people: Any) -> Any:
    """A record of arrays [P, ...], for these people only (indices or mask)."""
    if isinstance(value, np.ndarray):
        return value[people]
    if hasattr(value, "take"):
        return value.take(people)
    if is_dataclass(value) and not isinstance(value, type):
        return type(value)(**{f.name: taken(getattr(value, f.name), people) for f in fields(value)})
    return value


def joined(parts: list[Any]) -> Any:
    """Records of arrays [P, ...] laid end to end along people; what is no array is taken from the first."""
    first = parts[0]
    if isinstance(first, np.ndarray):
        return np.concatenate(parts)
    if is_dataclass(first) and not isinstance(first, type):
        return type(first)(**{f.name: joined([getattr(p, f.name) for p in parts]) for f in fields(first)})
    return first
