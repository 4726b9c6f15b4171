"""How good forecasts were: scores, coverage, bias and sharpness, with errors that respect repeated sessions."""

from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.special import beta, gammaln, ndtr, stdtr

from .columns import Bools, Floats, Ints
from .predictive import Predictive, Shape

LEVELS = (0.5, 0.8, 0.9)
QUANTILES = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)


def crps_normal(observed: Any, loc: Any, scale: Any) -> Floats:
    """Continuous ranked probability score of a normal forecast, in the unit of the value; smaller is better.

    Args: observed, loc, scale in one unit, any shapes that broadcast.
    Formula: σ·[z(2Φ(z) − 1) + 2φ(z) − 1/√π], z = (y − μ)/σ.
    Source: Gneiting T, Raftery AE. J Am Stat Assoc 2007;102:359-78, equation 21.
    """
    z = (np.asarray(observed, float) - loc) / scale
    density = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return np.asarray(scale * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * density - 1.0 / np.sqrt(np.pi)))


def crps_student_t(observed: Any, loc: Any, scale: Any, df: Any) -> Floats:
    """Continuous ranked probability score of a Student t forecast with more than one degree of freedom.

    Args: observed, loc, scale in one unit; df > 1; any shapes that broadcast. Raises: ValueError for df ≤ 1.
    Formula: z(2F(z) − 1) + 2f(z)(ν + z²)/(ν − 1) − [2√ν/(ν − 1)]·B(½, ν − ½)/B(½, ν/2)², times the scale.
    Source: Jordan A, Krüger F, Lerch S. J Stat Softw 2019;90(12), appendix.
    """
    nu = np.asarray(df, float)
    if np.any(nu <= 1.0):
        raise ValueError(f"df is {nu.min()}; the score exists only for more than 1")
    z = (np.asarray(observed, float) - loc) / scale
    log_density = gammaln((nu + 1) / 2) - gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)
    density = np.exp(log_density - (nu + 1) / 2 * np.log1p(z**2 / nu))
    constant = 2.0 * np.sqrt(nu) / (nu - 1) * beta(0.5, nu - 0.5) / beta(0.5, nu / 2) ** 2
    return np.asarray(scale * (z * (2.0 * stdtr(nu, z) - 1.0) + 2.0 * density * (nu + z**2) / (nu - 1) - constant))


def crps_draws(observed: Any, draws: Any) -> Floats:
    """The same score of a forecast known by m ≥ 2 equally likely draws along the last axis, without bias from m.

    Formula: mean|x − y| − Σᵢⱼ|xᵢ − xⱼ| / (2m(m − 1)), the fair version; the double sum by sorting.
    Source: Ferro CAT. Q J R Meteorol Soc 2014;140:1917-23 (from memory).
    """
    x = np.sort(np.asarray(draws, float), axis=-1)
    m = x.shape[-1]
    if m < 2:
        raise ValueError(f"draws has {m} along its last axis; at least 2 are needed")
    distance = np.abs(x - np.asarray(observed, float)[..., None]).mean(axis=-1)
    weights = 2.0 * np.arange(1, m + 1) - m - 1.0
    return np.asarray(distance - (x * weights).sum(axis=-1) / (m * (m - 1)))


def crps_predictive(observed: Any, forecast: Predictive) -> Floats:
    """The score of a `Predictive`, [points of %]; shapes broadcast.

    Formula: scale·G(z), G(z) = ∫_{−∞}^{z} F² dx + ∫_{z}^{∞} (1 − F)² dx for the standard shape, by the trapezium rule
    on a fine grid; the definition in Gneiting T, Raftery AE. J Am Stat Assoc 2007;102:359-78, equation 20.
    """
    grid, score = _standard_score(forecast.shape)
    z = (np.asarray(observed, float) - forecast.loc) / forecast.scale
    beyond = np.maximum(grid[0] - z, 0.0) + np.maximum(z - grid[-1], 0.0)  # far out the score grows with the distance
    return np.asarray(forecast.scale * (np.interp(z, grid, score) + beyond))


@lru_cache(maxsize=32)
def _standard_score(shape: Shape) -> tuple[Floats, Floats]:
    grid = np.linspace(shape.at[0], shape.at[-1], 40_001)
    below = Predictive(np.zeros(1), np.ones(1), shape).chance_up_to(grid)
    step = grid[1] - grid[0]
    left = _running_integral(below**2, step)
    right = _running_integral((1.0 - below) ** 2, step)
    return grid, left + right[-1] - right


def _running_integral(values: Floats, step: float) -> Floats:
    return np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1])) * step])


@dataclass(frozen=True, slots=True)
class Scored:
    """Forecasts against what was measured, one each, arrays [n]; the common currency of all comparisons."""

    observed: Floats  # [%]
    median: Floats  # [%]
    quantiles: Floats  # [n, 7] at QUANTILES, [%]
    crps: Floats  # [points]
    ceiling_pct: Floats  # that held on that day [%]; nan where none is known
    chance_over: Floats  # that the forecast gave the ceiling [0 to 1]; nan without one

    @classmethod
    def of_predictive(cls, observed: Floats, forecast: Predictive, ceiling_pct: Floats | None = None) -> "Scored":
        """Score forecasts of one shape [n]."""
        table = np.stack([np.broadcast_to(forecast.quantile(p), observed.shape) for p in QUANTILES], axis=-1)
        ceiling = np.full(observed.shape, np.nan) if ceiling_pct is None else ceiling_pct
        chance = np.broadcast_to(forecast.chance_over(ceiling), observed.shape)
        return cls(observed, table[:, 3], table, crps_predictive(observed, forecast), ceiling, chance)

    @classmethod
    def of_draws(cls, observed: Floats, draws: Floats) -> "Scored":
        """Score forecasts known by draws [n, m]."""
        table = np.quantile(draws, QUANTILES, axis=-1).T
        unknown = np.full(observed.shape, np.nan)
        return cls(observed, table[:, 3], table, crps_draws(observed, draws), unknown, unknown)

    @classmethod
    def empty(cls, n: int) -> "Scored":
        """Room for n forecasts, to be filled."""
        return cls(*(np.empty((n, len(QUANTILES)) if name == "quantiles" else n) for name in cls.__slots__))

    def where(self, chosen: Bools | Ints) -> "Scored":
        """Only the chosen forecasts."""
        return Scored(*(getattr(self, name)[chosen] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class Score:
    """Summary of many forecasts; nan (in a dictionary: None) where there are none."""

    n: int
    crps: float  # mean [points]
    mean_abs_error: float  # of the median [points]
    bias: float  # mean of median less measured [points]: positive when forecasts lie too high
    inside_50: float  # share of measured values inside the middle 50 % …
    inside_80: float
    inside_90: float
    above_p90: float
    width_80: float  # mean width of the middle 80 % [points]: sharpness

    def to_dict(self) -> dict[str, float | int | None]:
        """Plain numbers for storage."""
        return {k: (None if isinstance(v, float) and np.isnan(v) else v) for k, v in asdict(self).items()}


def summarise(scored: Scored) -> Score:
    """Bias, coverage, sharpness and mean score of the forecasts given. A value on an edge counts half."""
    n = len(scored.observed)
    if n == 0:
        return Score(0, *([float("nan")] * 8))
    y, q = scored.observed, scored.quantiles
    error = scored.median - y
    inside = [_inside(y, q[:, low], q[:, high]) for low, high in ((2, 4), (1, 5), (0, 6))]
    above = float(np.mean((y > q[:, 5]) + 0.5 * (y == q[:, 5])))
    return Score(
        n=n,
        crps=float(scored.crps.mean()),
        mean_abs_error=float(np.abs(error).mean()),
        bias=float(error.mean()),
        inside_50=inside[0],
        inside_80=inside[1],
        inside_90=inside[2],
        above_p90=above,
        width_80=float(np.mean(q[:, 5] - q[:, 1])),
    )


def _inside(y: Floats, low: Floats, high: Floats) -> float:
    strictly = (y > low) & (y < high)
    return float(np.mean(strictly + 0.5 * ((y == low) | (y == high))))


@dataclass(frozen=True, slots=True)
class Difference:
    """Mean difference of two scores on the same forecasts; standard error clustered by person."""

    mean: float
    standard_error: float  # nan with fewer than two persons
    n: int
    n_people: int

    @property
    def is_clearly_negative(self) -> bool:
        """Whether the first is better (smaller) by more than two standard errors."""
        return bool(self.mean < -2.0 * self.standard_error)


def mean_difference(first: Floats, second: Floats, person: Ints) -> Difference:
    """Mean of first − second, with a standard error that lets the forecasts of one person hang together.

    Args: scores [n] on the same forecasts, person [n] (any integers).
    Formula: SE² = G/(G − 1)·Σ_g(Σ_{i∈g}(dᵢ − d̄))² / n² over G persons.
    Source: Liang KY, Zeger SL. Biometrika 1986;73:13-22, for a mean (from memory).
    """
    d = np.asarray(first, float) - np.asarray(second, float)
    n = len(d)
    people, cluster = np.unique(person, return_inverse=True)
    if n == 0:
        return Difference(float("nan"), float("nan"), 0, 0)
    sums = np.bincount(cluster, weights=d - d.mean())
    groups = len(people)
    error = np.sqrt(groups / (groups - 1) * np.sum(sums**2)) / n if groups > 1 else float("nan")
    return Difference(float(d.mean()), float(error), n, groups)
