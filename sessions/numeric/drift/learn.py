"""Learning the programme's parameters: most probable values given everyone's sessions.

Scoring with the outer product of each person's gradient (Berndt EK, Hall BH, Hall RE, Hausman JA. Ann Econ Soc
Meas 1974;3:653-65). All shifted parameter sets run through the filter side by side, so a gradient costs about as much
as a few plain runs.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .filter import run
from .panel import Panel
from .parameters import BY_NAME, CENTRES, Values, to_learning, to_plain

Floats = NDArray[np.float64]

_SHIFT = 1e-4
_DAMPING = (0.0, 0.0, 0.1, 1.0, 20.0)  # tried side by side (Marquardt's way from scoring to steepest ascent)
_STRETCH = (1.0, 2.5, 1.0, 1.0, 1.0)
_LARGEST_MOVE = 1.5
_MOST_ROUNDS = 15


@dataclass(frozen=True, slots=True)
class Learnt:
    """Values by parameter name, the log likelihood there, and standard errors of the mean pace and the bend."""

    values: dict[str, float]
    log_likelihood: float
    pace_mean_se: float
    bend_se: float


def learn(
    panel: Panel,
    form: str,
    *,
    free: tuple[str, ...],
    fixed: Mapping[str, float],
    start: Mapping[str, float],
    prior_weight: float = 1.0,
    enough: float = 0.15,
) -> Learnt:
    """Most probable parameters of `form`.

    Args: free: names to learn. fixed: values of the others (else their centre). start: where to begin.
        prior_weight: 1 for the priors as stated, 0 for plain maximum likelihood. enough: gain in log likelihood under
        which learning stops.
    """
    base = {**CENTRES, **fixed}
    centre = np.array([to_learning(name, CENTRES[name]) for name in free])
    pull = prior_weight / np.array([BY_NAME[name].spread for name in free]) ** 2
    at = np.array([to_learning(name, start.get(name, CENTRES[name])) for name in free])
    reached = -np.inf
    curvature = np.diag(pull)
    for _ in range(_MOST_ROUNDS):
        shifted = at + np.vstack([np.zeros(len(free)), _SHIFT * np.eye(len(free))])
        each = run(panel, form, _sets(base, free, shifted)).log_likelihood
        slopes = (each[1:] - each[0]) / _SHIFT
        # About their mean, for far from the top everybody's slope points the same way.
        about = slopes - slopes.sum(axis=1, keepdims=True) / max(slopes.shape[1], 1)
        curvature = about @ about.T + np.diag(pull + 1e-6)
        reached = each[0].sum() - 0.5 * (pull * (at - centre) ** 2).sum()
        tries = at + _moves(curvature, slopes.sum(axis=1) - pull * (at - centre))
        value = run(panel, form, _sets(base, free, tries)).log_likelihood.sum(axis=1)
        value -= 0.5 * (pull * (tries - centre) ** 2).sum(axis=1)
        best = int(np.argmax(value))
        if not value[best] > reached:
            break
        gained, at, reached = value[best] - reached, tries[best], value[best]
        if gained < enough:
            break
    values = base | {name: float(to_plain(name, v)) for name, v in zip(free, at, strict=True)}
    spread = np.sqrt(np.diag(np.linalg.inv(curvature))) if len(free) else np.zeros(0)
    error = dict(zip(free, spread, strict=True))
    return Learnt(
        values=values,
        log_likelihood=float(reached),
        pace_mean_se=float(error.get("pace_mean", 0.0) * values["pace_mean"]),
        bend_se=float(error.get("bend", 0.0) * values["bend"]),
    )


def _moves(curvature: Floats, slope: Floats) -> Floats:
    """Moves to try, [tries, parameters]: from a full step of scoring to a small one uphill."""
    moves = []
    for damping, stretch in zip(_DAMPING, _STRETCH, strict=True):
        move = stretch * np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), slope)
        moves.append(move * min(1.0, _LARGEST_MOVE / max(float(np.abs(move).max()), 1e-12)))
    return np.array(moves)


def _sets(base: Mapping[str, float], free: tuple[str, ...], at: Floats) -> Values:
    sets = {name: np.full((1, 1, 1), value) for name, value in base.items()}
    sets |= {name: to_plain(name, at[:, i])[:, None, None] for i, name in enumerate(free)}
    # One name must carry the number of sets.
    sets["pace_mean"] = np.broadcast_to(sets["pace_mean"], (len(at), 1, 1))
    return sets
