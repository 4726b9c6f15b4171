"""When people come and what they take, drawn from their own past and from how others differ from their own middle.

Six gaps of one person hold few late visits or none, so that weeks drawn from them alone vary too little. Each path
draws by a Polya urn (Blackwell and MacQueen, Ann Stat 1973;1:353-5): a new figure is one of the person's own, one that
this path drew before, or the person's middle moved by a distance from the pool of everybody's. So a path keeps what it
has drawn, and paths differ in what the person is taken to be like. How much the pool weighs is found by how well it
foretold each next figure in the records themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

STRENGTHS = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""What the pool may weigh, in figures of the person's own. Chosen here."""
OTHER_INTERVAL_DAYS = 7  # an interval that differs by so much from what was kept is another one; chosen here
LEAST_INTERVAL_DAYS = 7  # what lies nearer together is one visit: no shorter interval is planned; chosen here
FEWEST_KNOWN = 2  # figures of a person's own before the next one is foretold


@dataclass(frozen=True, slots=True)
class Pool:
    """How figures lie from the middle of whom they belong to, all people together; strength: what that weighs."""

    away: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    strength: float = 0.0


@dataclass(frozen=True, slots=True)
class Habits:
    """The pools of a programme: gaps in days, and units a visit."""

    gaps: Pool = field(default_factory=Pool)
    units: Pool = field(default_factory=Pool)


@dataclass(frozen=True, slots=True)
class Decided:
    """An interval that was decided for a person, in days, and the day (an ordinal) from which it holds."""

    interval: int
    since: int


def visits_of(sessions: Sequence[tuple[int, int | None]]) -> list[tuple[int, int | None]]:
    """Return sessions, (day, units) by day, with those of a series on consecutive days as one visit on its last day.

    A gap of a day says nothing of when somebody comes again. units: of all its days; None where one is not known.
    """
    found: list[tuple[int, int | None]] = []
    for day, units in sessions:
        if found and day - found[-1][0] < LEAST_INTERVAL_DAYS:
            before = found.pop()[1]
            units = None if units is None or before is None else before + units
        found.append((day, units))
    return found


def tells_from(days: Sequence[int], decided: Decided | None) -> int:
    """Return the place of the first of these days, oldest first, from which gaps and units tell of the time to come.

    0, unless another interval was decided than they kept, by a week or more: then what was before it tells nothing, and
    where no day is since, that is their number. Chosen here; not from a source.
    """
    gaps = [later - day for day, later in pairwise(days)]
    if decided is None or not gaps or abs(middle_of(gaps) - decided.interval) < OTHER_INTERVAL_DAYS:
        return 0
    return sum(day < decided.since for day in days)


def middle_of(own: Sequence[int] | Ints) -> int:
    """Return the median of a person's figures, rounded to a whole one."""
    return int(np.round(np.median(np.asarray(own))))


def pool_of(histories: Sequence[Sequence[int]], *, latest: int, as_same: int = 1) -> Pool:
    """Return the pool of everybody's figures, oldest first in each history, and what it weighs.

    latest: so many of a person's own figures are drawn from. as_same: figures that differ by less count as the same one
    when it is asked how well they foretell: 7 for gaps, of which weeks are wanted. Nobody with three figures: no pool.
    The strength is the one of STRENGTHS with the greatest likelihood of each next figure, given those before.
    """
    known = [np.asarray(one, dtype=np.int64) for one in histories if len(one) > FEWEST_KNOWN]
    if not known:
        return Pool()
    away = np.concatenate([one[-latest:] - middle_of(one[-latest:]) for one in known])
    binned = [np.round(one / as_same).astype(np.int64) for one in known]
    same, before, share = _foretold(binned, latest)
    likelihood = [np.log((a * share + same) / (a + before)).sum() for a in STRENGTHS]
    return Pool(away, STRENGTHS[int(np.argmax(likelihood))])


def _foretold(histories: Sequence[Ints], latest: int) -> tuple[Floats, Floats, Floats]:
    """Of each figure that has some before it: how many of those are the same, how many there are, and its share of
    the pool. A distance that nobody else had counts as half a figure of the pool."""
    away = np.concatenate([one[-latest:] - middle_of(one[-latest:]) for one in histories])
    values, counts = np.unique(away, return_counts=True)
    shares = dict(zip(values.tolist(), (counts / away.size).tolist(), strict=True))
    rows = []
    for one in histories:
        for place in range(FEWEST_KNOWN, len(one)):
            before = one[max(place - latest, 0) : place]
            share = shares.get(int(one[place]) - middle_of(before), 0.5 / away.size)
            rows.append((float((before == one[place]).sum()), float(before.size), share))
    table = np.array(rows, dtype=np.float64)
    return table[:, 0], table[:, 1], table[:, 2]


class Urn:
    """What one person's next figures may be, on many paths at once.

    own: figures of the person, at least one. least: no figure is under it. rng: numpy generator.
    """

    def __init__(self, own: Sequence[int], pool: Pool, rng: np.random.Generator, n_paths: int, *, least: int) -> None:
        figures = np.asarray(own, dtype=np.int64)
        self._rng, self._paths = rng, np.arange(n_paths)
        self._drawn = np.tile(figures[:, None], (1, n_paths))
        self._pool = np.maximum(middle_of(figures) + pool.away, least)
        self._weight = pool.strength if pool.away.size else 0.0

    def draw(self) -> Ints:
        """Draw the next figure of each path, [n_paths], and keep it."""
        chosen = self._drawn[self._rng.integers(0, len(self._drawn), self._paths.size), self._paths]
        return self._keep(self._mixed(chosen, self._pool, self._weight, len(self._drawn)))

    def draw_from(self, least: int, *, else_within: int) -> Ints:
        """Draw the first figure, knowing that it is `least` or more; beyond all that is known, within so many of it."""
        own, pool = self._drawn[:, 0], self._pool[self._pool >= least]
        own = own[own >= least]
        weight = self._weight * pool.size / max(self._pool.size, 1)
        if not own.size and not pool.size:
            return self._keep(self._rng.integers(least, least + else_within, self._paths.size))
        chosen = self._rng.choice(own if own.size else pool, self._paths.size)
        return self._keep(self._mixed(chosen, pool, weight, own.size))

    def _mixed(self, chosen: Ints, pool: Ints, weight: float, own: int) -> Ints:
        if not pool.size or weight <= 0.0:
            return chosen
        others = self._rng.random(self._paths.size) < weight / (weight + own)
        return np.asarray(np.where(others, self._rng.choice(pool, self._paths.size), chosen))

    def _keep(self, drawn: Ints) -> Ints:
        self._drawn = np.vstack([self._drawn, drawn])
        return drawn


class Anchored:
    """What a person usually has, moved by how their simulated course differs from the first visit it foresees.

    A plan says what would be given, and what is given differs from it as a habit: in two made-up programmes plans took
    15 and 31 in 100 more than the same people had. So the level is that of the records, and the course says what moves
    it: a longer gap, a pace that changes.
    """

    def __init__(self, units: Urn) -> None:
        self._units = units
        self._level: float | None = None

    def draw(self, planned: Ints | None) -> Ints:
        """Draw the units of the next visit, [paths]; planned: by the course, None where there is no plan."""
        drawn = self._units.draw()
        if planned is None:
            return drawn
        if self._level is None:
            self._level = float(planned.mean())
        return np.asarray(np.maximum(drawn + np.round(planned - self._level).astype(np.int64), 1))
