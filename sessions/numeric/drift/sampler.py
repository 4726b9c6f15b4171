"""One person's gaps drawn one after another, for running the loop forward."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .calibrate import GAPS_KNOWN
from .filter import ODD_FACTOR, USUAL_GAP_DAYS, Gap, pass_gap
from .fit import ProgrammeFit
from .person import PeoplePace
from .predict import BEND_BETWEEN_PEOPLE

Floats = NDArray[np.float64]


class CourseSampler:
    """Paths of one person's true and measured HbS before each next session.

    Each path has its own pace and spell, drawn from what is believed of the person, and its own chance in every
    gap: the pace wanders or jumps, spells fade, gaps may be odd, results carry the laboratory's error. So the first
    gap has the spread that `predict` states, and later ones carry the same uncertain pace on.

    fit: the programme's. pace: of one person (`take` with one index). rng: numpy generator. n_paths: how many.
    """

    def __init__(self, fit: ProgrammeFit, pace: PeoplePace, rng: np.random.Generator, n_paths: int) -> None:
        if np.size(pace.pace) != 1:
            raise ValueError(f"pace holds {np.size(pace.pace)} people; allowed is one.")
        self._fit = fit
        self._rng = rng
        one = {name: float(np.ravel(getattr(pace, name))[0]) for name in _NEEDED}
        gaps = float(np.interp(one["n_gaps"], GAPS_KNOWN, fit.calibration.scale))
        self._factor = gaps * float(np.sqrt(fit.calibration.stretch))
        self._floor_sd = gaps * float(np.sqrt(fit.calibration.floor))
        self._untransfused = one["untransfused_pct"]
        self._hb_after, self._hb_after_sd = one["hb_after_g_l"], one["hb_after_sd"]
        self._hb_rest = one["hb_rest_g_l"]
        mean, cov = _belief(one)
        # What makes the stated spread true is put on everything drawn alike.
        drawn = rng.multivariate_normal(mean, cov * self._factor**2, n_paths, method="cholesky")
        self.after_true_pct: Floats = drawn[:, 0]
        self._pace: Floats = drawn[:, 1]
        self._spell: Floats = drawn[:, 2]
        self._usual_days = one["usual_interval_days"]
        self._bend: Floats = np.hypot(fit.bend_se, BEND_BETWEEN_PEOPLE) * rng.standard_normal(n_paths)

    def next_before(self, after_true_pct: Any, days: Any, *, hb_after_g_l: Any = None) -> tuple[Floats, Floats]:
        """True and measured HbS before the next session, [n_paths], points.

        after_true_pct: at the end of the session before; `after_true_pct` of this object for the last one on
        record. days: until the next session. hb_after_g_l: by default as after the last session on record. All
        broadcast to [n_paths].
        """
        rng, values = self._rng, self._fit.values
        n = len(self._pace)
        days = np.broadcast_to(np.asarray(days, dtype=float), (n,))
        own = hb_after_g_l is None
        hb, hb_sd = (self._hb_after, self._hb_after_sd) if own else (hb_after_g_l, 0.0)
        jumps = rng.random(n) < values["jump_share"]
        moved = values["pace_walk_sd"] * np.sqrt(days / USUAL_GAP_DAYS) * rng.standard_normal(n)
        self._pace = (
            self._pace + self._factor * moved + np.where(jumps, values["jump_sd"] * rng.standard_normal(n), 0.0)
        )
        gap = Gap(days, self._untransfused, hb, hb_sd, self._hb_rest, 0.0, 1.0, 1.0)
        # Beyond the usual interval each path has its own form (see predict).
        there = self._pace * np.maximum(days / self._usual_days, 1.0) ** self._bend
        passed = pass_gap(self._fit.base_form, values, np.asarray(after_true_pct), there, self._spell, gap)
        chance = self._factor * np.sqrt(passed.noise) * rng.standard_normal(n)
        self._spell = self._spell * passed.spell_kept + _spell_end(passed, chance, rng)
        odd = np.where(rng.random(n) < values["odd_share"], ODD_FACTOR, 1.0)
        true = np.clip(passed.hbs + odd * chance + self._floor_sd * rng.standard_normal(n), 0.0, 100.0)
        measured = true + odd * self._factor * values["assay_sd"] * rng.standard_normal(n)
        return true, np.clip(np.round(measured, 1), 0.0, 100.0)


_NEEDED = (
    "pace", "pace_sd", "after_pct", "after_sd", "after_pace_cov", "spell", "spell_sd", "after_spell_cov",
    "pace_spell_cov", "hb_after_g_l", "hb_after_sd", "hb_rest_g_l", "untransfused_pct", "n_gaps", "usual_interval_days",
)  # fmt: skip


def _belief(one: dict[str, float]) -> tuple[Floats, Floats]:
    """Mean and covariance of HbS after, pace and spell; a person without any session starts from nothing known."""
    known = not np.isnan(one["after_pct"])
    mean = np.array([one["after_pct"] if known else 0.0, one["pace"], one["spell"]])
    cov = np.diag([one["after_sd"] ** 2 if known else 0.0, one["pace_sd"] ** 2, one["spell_sd"] ** 2])
    cov[0, 1] = cov[1, 0] = one["after_pace_cov"] if known else 0.0
    cov[0, 2] = cov[2, 0] = one["after_spell_cov"] if known else 0.0
    cov[1, 2] = cov[2, 1] = one["pace_spell_cov"]
    return mean, cov + 1e-9 * np.eye(3)


def _spell_end(passed: Any, chance: Floats, rng: np.random.Generator) -> Floats:
    """New part of the spell at the end of a gap, given that gap's chance: they share part of their cause."""
    noise = np.maximum(passed.noise, 1e-12)
    left = np.maximum(passed.spell_noise - passed.spell_cov**2 / noise, 0.0)
    return np.asarray(passed.spell_cov / noise * chance + np.sqrt(left) * rng.standard_normal(len(chance)))
