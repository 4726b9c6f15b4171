"""A level of each person's own, learnt from noisy sights of it and drifting slowly: one small filter for two uses.

A sight is w·level + error, where w says how much of the level shows after so many days. Levels differ between people
and wander from gap to gap; errors grow with the days and now and then lie far out. A Kalman filter for one number,
with errors far out held back. Chosen here; not from a source.
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr

from .columns import Floats, Ints
from .predictive import SCORES, SHAPE_BEFORE_DATA, Predictive, Shape

TAIL_DF = 5.0  # of errors while learning, so that a wrong tube does not teach
_FAR = 3.0  # an error further out than this many spreads moves the level no more than this one would
_MOST_PEOPLE, _MOST_TURNS, _FEWEST = 300, 30, 5
_SHAPE_WEIGHT = 100.0  # errors by which the shape before data is held
_FINE = np.linspace(-14.0, 14.0, 5601)


@dataclass(frozen=True, slots=True)
class LevelFit:
    """What a programme says about its people's levels, in the unit of the level; errors in that of the sight.

    mean, sd: between people. walk_sd: how far a level wanders in 28 days. error_sd: at once; error_growth_sd: over 28
    days, its variance growing with the days. shape: of errors over their stated spread, its scale included.
    """

    mean: float
    sd: float
    walk_sd: float
    error_sd: float
    error_growth_sd: float
    shape: Shape = SHAPE_BEFORE_DATA
    n_gaps: int = 0

    def error_var(self, days: Floats) -> Floats:
        """Variance of the error of one sight after so many days."""
        return np.asarray(self.error_sd**2 + self.error_growth_sd**2 * days / 28.0)

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"shape": list(self.shape.at)}

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> "LevelFit":
        return cls(**(stored | {"shape": Shape(tuple(stored["shape"]))}))


@dataclass(frozen=True, slots=True)
class Levels:
    """What is believed of each person, arrays [P] (or of any shape after `take`)."""

    level: Floats
    sd: Floats
    n_gaps: Floats

    def take(self, people: Any) -> "Levels":
        """These people: indices, mask, or an index that adds axes."""
        return Levels(self.level[people], self.sd[people], self.n_gaps[people])


@dataclass(frozen=True, slots=True)
class Sights:
    """Sights in order of person and time, arrays [M]."""

    person: Ints
    days: Floats
    weight: Floats
    value: Floats
    n_people: int

    def some(self) -> "Sights":
        """Enough to learn from: people spread evenly over all who have sights, of each the latest."""
        people, counts = np.unique(self.person, return_counts=True)
        chosen = people[np.linspace(0, len(people) - 1, min(_MOST_PEOPLE, len(people))).round().astype(int)]
        number = np.full(self.n_people, -1, dtype=np.int64)
        number[chosen] = np.arange(len(chosen))
        from_end = np.repeat(np.cumsum(counts), counts) - 1 - np.arange(len(self.person))
        keep = (number[self.person] >= 0) & (from_end < _MOST_TURNS)
        return Sights(number[self.person[keep]], self.days[keep], self.weight[keep], self.value[keep], len(chosen))


@dataclass(frozen=True, slots=True)
class Filtered:
    """Beliefs after all sights, and of each sight its error over the spread stated before it, [M]."""

    levels: Levels
    surprise: Floats
    spread: Floats


def filter_levels(fit: LevelFit, sights: Sights) -> Filtered:
    """Go through everybody's sights in turn; people without any keep the programme's level."""
    table = _turns(sights)
    mean = np.full(sights.n_people, fit.mean)
    var = np.full(sights.n_people, fit.sd**2)
    surprise, spread = np.empty(len(sights.value)), np.empty(len(sights.value))
    for rows in table:
        who, w = sights.person[rows], sights.weight[rows]
        v = var[who] + fit.walk_sd**2 * sights.days[rows] / 28.0
        error_var = fit.error_var(sights.days[rows])
        seen_sd = np.sqrt(w**2 * v + error_var)
        z = (sights.value[rows] - w * mean[who]) / seen_sd
        gain = v * w / seen_sd
        mean[who] += gain * np.clip(z, -_FAR, _FAR)
        var[who] = v * error_var / seen_sd**2  # v − gain² in a form that rounding cannot turn negative
        surprise[rows], spread[rows] = z, seen_sd
    counts = np.bincount(sights.person, minlength=sights.n_people).astype(float)
    return Filtered(Levels(mean, np.sqrt(var), counts), surprise, spread)


def learn_levels(sights: Sights, *, before_data: LevelFit) -> tuple[LevelFit, float]:
    """Most likely fit given all sights, held a little towards `before_data`, and its loss; with under 5 `before_data`.

    The likelihood is that of one-step forecasts with Student t errors, by Nelder and Mead's simplex. The shape of the
    errors is then what was met, mixed with the shape before data.
    """
    few = sights.some() if len(sights.value) else sights
    if len(few.value) < _FEWEST:
        return before_data, 0.0
    start = _free(before_data)

    def loss(free: Floats) -> float:
        met = filter_levels(_fit(free), few)
        z = met.surprise
        cost = 0.5 * (TAIL_DF + 1.0) * np.log1p(z**2 / TAIL_DF) + np.log(met.spread)
        return float(cost.sum() + 0.5 * np.sum(((free - start) / 1.5) ** 2))

    found = minimize(loss, start, method="Nelder-Mead", options={"maxiter": 400, "xatol": 0.02, "fatol": 0.1})
    learnt = _fit(found.x)
    met = filter_levels(learnt, few)
    return (
        LevelFit(
            learnt.mean, learnt.sd, learnt.walk_sd, learnt.error_sd, learnt.error_growth_sd,
            shape=_shape(met.surprise), n_gaps=len(sights.value),
        ),
        float(found.fun),
    )  # fmt: skip


def forecast_level(fit: LevelFit, levels: Levels, *, weight: Floats, days: Floats) -> Predictive:
    """Spread of a sight to come, in the unit of the sight; arguments broadcast."""
    var = weight**2 * (levels.sd**2 + fit.walk_sd**2 * days / 28.0) + fit.error_var(days)
    return Predictive(np.asarray(weight * levels.level), np.sqrt(var), fit.shape)


def _turns(sights: Sights) -> list[Ints]:
    """Rows of everybody's first sight, second sight, and so on."""
    if not len(sights.person):
        return []
    first = np.r_[0, np.flatnonzero(np.diff(sights.person)) + 1]
    lengths = np.diff(np.r_[first, len(sights.person)])
    turn = np.arange(len(sights.person)) - np.repeat(first, lengths)
    order = np.argsort(turn, kind="stable")
    return np.split(order, np.cumsum(np.bincount(turn))[:-1])


def _free(fit: LevelFit) -> Floats:
    spreads = np.maximum([fit.sd, fit.walk_sd, fit.error_sd, fit.error_growth_sd], 1e-9)
    return np.concatenate([[fit.mean / max(fit.sd, 1e-9)], np.log(spreads)])


def _fit(free: Floats) -> LevelFit:
    sd, walk, error, growth = (float(x) for x in np.exp(free[1:]))
    return LevelFit(mean=float(free[0]) * sd, sd=sd, walk_sd=walk, error_sd=error, error_growth_sd=growth)


def _shape(z: Floats) -> Shape:
    """Quantiles of the errors met, mixed with the shape before data, at the normal scores that a shape is held at."""
    prior = ndtr(np.interp(_FINE, SHAPE_BEFORE_DATA.at, SCORES))
    seen = np.searchsorted(np.sort(z), _FINE, side="right")
    mixed = (seen + _SHAPE_WEIGHT * prior) / (len(z) + _SHAPE_WEIGHT)
    inner = np.interp(ndtr(np.array(SCORES[1:-1])), mixed, _FINE)
    inner = np.maximum.accumulate(inner + 1e-6 * np.arange(len(inner)))
    beyond = (SCORES[-1] - SCORES[-2]) * 1.5  # past the last score the tails go on half as fast again as a normal's
    return Shape(tuple(float(x) for x in (inner[0] - beyond, *inner, inner[-1] + beyond)))
