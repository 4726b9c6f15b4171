"""Units of people who are not on the programme yet, at the rate at which people joined in the latest year.

Nobody knows who they are, so they are a group of their own. How many join in a year is a Poisson count; of its rate a
year's count tells little, so each path draws one from what the count leaves open (Gamma by Jeffreys' prior, shape the
count and a half; Jeffreys, Theory of Probability, 1961). Each comes and has units as somebody of the programme does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NOT_YET = "not yet known"
YEAR_DAYS, FEWEST_RECORDS_DAYS = 365, 730
"""Who joined is counted over the latest year, and only where records reach back for two: those that begin with a file
begin with everybody. Chosen here."""
MOST_VISITS = 40  # of one person in the weeks that are foreseen


@dataclass(frozen=True, slots=True)
class Joining:
    """joined: people with their first session in the latest year. ways: (gaps, units) of those on the programme."""

    joined: int
    ways: tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]


def joining_of(histories: Sequence[Sequence[tuple[int, int | None]]], today: int, *, latest: int) -> Joining | None:
    """Return who joins, from everybody's (day, units) by day up to `today`; None where records are too short to tell.

    latest: so many of a person's gaps and units are a way.
    """
    known = [one for one in histories if one]
    if not known or today - min(one[0][0] for one in known) < FEWEST_RECORDS_DAYS:
        return None
    ways = tuple((tuple(_gaps(one, latest)), tuple(u for _, u in one[-latest:] if u)) for one in known if len(one) > 2)
    ways = tuple(way for way in ways if way[1])
    return Joining(sum(one[0][0] > today - YEAR_DAYS for one in known), ways) if ways else None


def _gaps(history: Sequence[tuple[int, int | None]], latest: int) -> list[int]:
    return [max(int(gap), 1) for gap in np.diff([day for day, _ in history[-latest - 1 :]])]


def live_joining(
    joining: Joining, first: int, today: int, weeks: int, rng: np.random.Generator, n_paths: int, *, known: int = 0
) -> Floats:
    """Units of people who join from `today` on, in weeks of seven days from `first`, [weeks, n_paths]. Simulation.

    known: so many of them are booked for their first session already, and counted as themselves.
    """
    found, end = np.zeros((weeks, n_paths)), first + 7 * weeks
    rate = rng.gamma(joining.joined + 0.5, 1.0 / YEAR_DAYS, n_paths)
    for path, many in enumerate(rng.poisson(rate * max(end - today, 0))):
        for _ in range(many - known):
            gaps, units = joining.ways[rng.integers(len(joining.ways))]
            day = today + int(rng.integers(max(end - today, 1)))
            for _ in range(MOST_VISITS):
                if day >= end:
                    break
                if day >= first:
                    found[(day - first) // 7, path] += rng.choice(units)
                day += int(rng.choice(gaps))
    return found
