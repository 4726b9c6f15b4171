"""Made-up programmes that follow the suggestions for a year, beside two rivals: visits over the ceiling, and units.

Full size is over 5,000 visits in each world and takes many minutes; nothing is timed here. Some ceilings of the start
no policy holds: a most careful year (every two weeks, as low as the limits allow) says for whom. The rivals are every
28 days with a personal end target, and the published pace rule (a person's mean rate of rise predicts the next value:
Transfusion 2024;64:685-92), both tuned on other people to the crossing of the suggestions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.programme_run import (
    Year,
    begin_year,
    can_be_held,
    fixed_interval,
    follow_for_a_year,
    most_careful,
    pace_rule,
    suggested,
    tuned_margin,
)
from sessions.numeric.mechanisms.made_up import WORLDS, simulate

PEOPLE, OTHERS = 400, 150
ACCEPTED = 0.10
RIVALS = {"every 28 days": fixed_interval, "pace rule": pace_rule}


@dataclass(frozen=True, slots=True)
class Compared:
    """The same people for a year by the suggestions, and by each rival."""

    suggested: Year
    careful: Year
    rivals: Mapping[str, Year]

    @property
    def holdable(self) -> NDArray[np.bool_]:
        """Whose ceiling of the start can be held at all, [P]."""
        return can_be_held(self.careful, ACCEPTED)


def compared(world: str, *, people: int, others: int) -> Compared:
    """Let one made-up world live the year once by each policy."""
    begun = begin_year(simulate(world, n_people=people, seed=11))
    elsewhere = begin_year(simulate(world, n_people=others, seed=12))
    year = follow_for_a_year(begun, suggested, accepted_chance=ACCEPTED, seed=5)
    careful = follow_for_a_year(begun, most_careful, accepted_chance=ACCEPTED, seed=7)
    rivals = {}
    for name, policy_of in RIVALS.items():
        margin = tuned_margin(elsewhere, policy_of, year.crossing, seed=6)
        rivals[name] = follow_for_a_year(begun, policy_of(margin), accepted_chance=ACCEPTED, seed=5)
    return Compared(year, careful, rivals)


def run(scale: float) -> list[str]:
    """Compare in every world."""
    people, others = max(round(scale * PEOPLE), 12), max(round(scale * OTHERS), 12)
    lines = [
        f"{people} people a world; aim: over the ceiling in force at most {100 * (ACCEPTED + 0.03):.0f} of 100 visits, "
        "and no more units than the rivals",
    ]
    for world in sorted(WORLDS):
        found = compared(world, people=people, others=others)
        lines += [*_crossings(world, found), _line("suggestions", found.suggested)]
        lines += [_line("most careful", found.careful), *(_line(name, year) for name, year in found.rivals.items())]
    return lines


def _crossings(world: str, found: Compared) -> list[str]:
    year, held = found.suggested, found.holdable
    start, careful = _hundred(year.over_first.mean()), _hundred(found.careful.over_first.mean())
    return [
        f"{world:10} {len(year.over)} visits: over the ceiling in force {_hundred(year.crossing)}; "
        f"over that of the start {start}, by the most careful year {careful}",
        f"    that of the start can be held for {_hundred(held.mean())} of 100 people: over it there "
        f"{_hundred(year.crossing_first(held))}; {_hundred(year.raised.mean())} of 100 visits under a raised one",
    ]


def _line(name: str, year: Year) -> str:
    each = f"{year.units_a_year:5.1f} units and {year.visits_a_year:4.1f} visits a person and year"
    return f"    {name:14} {each}, over {_hundred(year.crossing)}"


def _hundred(share: float) -> str:
    return f"{100 * share:.1f}"
