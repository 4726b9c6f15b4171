"""How many weeks of made-up programmes lie inside the ranges that were foreseen for them, half a year and more ahead.

The programmes come from the four made-up worlds, whose people come late, early and unwell by rules that no part of the
forecast knows. Seeds 11 to 14 were used to choose how habits are drawn; the ones here were not.
"""

import numpy as np
import pytest
from scipy.stats import binom

from programme.supply.numeric.demand import Expected, Span, holds, live_weeks, range_of
from programme.supply.numeric.habits import Habits, pool_of
from sessions.numeric.mechanisms.made_up import WORLDS, simulate
from tests.builders import volumes_of

PEOPLE, WEEKS, LOOKS, APART_DAYS, GONE_DAYS = 40, 13, 6, 49, 112
SEEDS = (8701, 8702, 8703)


def histories_of(world: str, seed: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Days and units of everybody, oldest first, of four years of a programme."""
    made = simulate(world, n_people=PEOPLE, seed=seed, years=4.0)
    units = np.maximum(np.asarray(volumes_of(made)[1]) // 260, 1).astype(int)
    rows = [made.columns.person == person for person in range(PEOPLE)]
    return [(made.columns.day[mine], units[mine]) for mine in rows]


def weeks_inside(world: str, seed: int) -> np.ndarray:
    """Whether each week of six past forecasts held, of those who were on the programme by then."""
    everyone, inside = histories_of(world, seed), []
    last = max(int(days[-1]) for days, _ in everyone if days.size)
    for look in range(LOOKS):
        as_of = last - 7 * WEEKS - 7 - APART_DAYS * look
        span = Span(as_of + 7 - (as_of - 1) % 7, WEEKS, as_of)
        past = [(days[days <= as_of], units[days <= as_of]) for days, units in everyone]
        habits = Habits(
            pool_of([np.diff(days)[-12:].tolist() for days, _ in past if days.size], latest=6, as_same=7),
            pool_of([units[-12:].tolist() for _, units in past], latest=6),
        )
        total, used = np.zeros((WEEKS, 400)), np.zeros(WEEKS)
        for number, ((days, units), (seen, had)) in enumerate(zip(everyone, past, strict=True)):
            if seen.size < 3 or as_of - seen[-1] > GONE_DAYS:
                continue
            who = Expected(
                reference=f"P{number}", group="O +", searched=False, last_day=int(seen[-1]), next_day=0,
                gaps=tuple(np.diff(seen)[-6:].tolist()), units=tuple(had[-6:].tolist()),
            )  # fmt: skip
            rng = np.random.default_rng([seed, look, number])
            total += live_weeks(who, span, None, delays=(7,), rng=rng, habits=habits)
            ahead = (days >= span.first) & (days < span.end)
            np.add.at(used, (days[ahead] - span.first) // 7, units[ahead])
        low, _, high = range_of(total)
        inside.append(holds(used, low, high))
    return np.concatenate(inside)


@pytest.mark.soak
def test_eight_in_ten_weeks_of_other_made_up_programmes_lie_inside():
    """Weeks of one programme share their people, so bounds are binomial ones (99 in 100) of a third as many weeks."""
    inside = np.concatenate([weeks_inside(world, seed) for world in WORLDS for seed in SEEDS])
    low, high = binom.ppf([0.005, 0.995], inside.size // 3, 0.8) / (inside.size // 3)
    assert low <= inside.mean() <= high, f"{100 * inside.mean():.1f} of 100 of {inside.size} weeks lie inside"
