"""Hb between sessions: from its value after one towards the person's own resting level before the next.

Hb before exchange is steady from visit to visit, so each person's resting level is learnt from all their gaps, shrunk
towards the programme's. Everything here is in g/L and days. Chosen here; not from a source.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from .columns import Floats, SessionColumns
from .levels import LevelFit, Levels, Sights, filter_levels, forecast_level, learn_levels
from .predictive import Predictive

HB_VERSION = "hb-1"
_TAUS_DAYS = (12.0, 25.0, 50.0, 100.0)
_USUAL_AFTER_G_L = 100.0
# A resting level 85 ± 10 g/L, 3 g/L of assay and posture at once, 5 more over four weeks: from memory, wide.
_BEFORE_DATA = LevelFit(mean=85.0, sd=10.0, walk_sd=2.5, error_sd=3.0, error_growth_sd=5.0)


@dataclass(frozen=True, slots=True)
class HbFit:
    """Programme's fit. tau_days: how fast Hb leaves its value after a session. usual_after_g_l: where none is known."""

    tau_days: float
    usual_after_g_l: float
    levels: LevelFit

    def to_dict(self) -> dict[str, Any]:
        """For storing as JSON; `from_dict` gives an equal fit back."""
        return {
            "model_version": HB_VERSION,
            "tau_days": self.tau_days,
            "usual_after_g_l": self.usual_after_g_l,
            "levels": self.levels.to_dict(),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> "HbFit":
        """Raises: ValueError when it was made by another version of the model."""
        if stored["model_version"] != HB_VERSION:
            raise ValueError(f"This fit is of model {stored['model_version']!r}; this program reads {HB_VERSION!r}.")
        return cls(stored["tau_days"], stored["usual_after_g_l"], LevelFit.from_dict(stored["levels"]))


@dataclass(frozen=True, slots=True)
class PeopleHb:
    """What is believed after each person's last session, arrays [P]: resting level, and Hb at the end of it."""

    levels: Levels
    hb_after_g_l: Floats  # measured, else the person's mean so far, else the programme's

    def take(self, people: Any) -> "PeopleHb":
        """These people: indices, mask, or an index that adds axes."""
        return PeopleHb(self.levels.take(people), self.hb_after_g_l[people])


def fit_hb(columns: SessionColumns) -> HbFit:
    """Learn how Hb goes between sessions from everybody's gaps; without any, a wide fit from before data.

    Model: Hb(d) = after·e^(−d/τ) + level·(1 − e^(−d/τ)) + error, τ chosen among 12, 25, 50 and 100 days by likelihood.
    """
    known = columns.hb_after_g_l[np.isfinite(columns.hb_after_g_l)]
    usual = float(np.median(known)) if len(known) else _USUAL_AFTER_G_L
    tried = []
    for tau in _TAUS_DAYS:
        levels, loss = learn_levels(_sights(columns, tau, usual), before_data=_BEFORE_DATA)
        tried.append((loss, tau, levels))
    _, tau, levels = min(tried, key=lambda t: (t[0], abs(t[1] - 25.0)))
    return HbFit(tau, usual, levels)


def update_hb(fit: HbFit, columns: SessionColumns) -> PeopleHb:
    """Each person's resting level and last Hb after a session, given a programme's fit."""
    levels = filter_levels(fit.levels, _sights(columns, fit.tau_days, fit.usual_after_g_l)).levels
    filled = filled_after(columns.hb_after_g_l, columns, fit.usual_after_g_l)
    ends = columns.starts()[1:] - 1
    some = np.diff(columns.starts()) > 0
    return PeopleHb(levels, np.where(some, filled[np.where(some, ends, 0)] if len(columns) else np.nan, np.nan))


def predict_hb(fit: HbFit, people: PeopleHb, *, days: Any, hb_after_g_l: Any = None) -> Predictive:
    """Spread of the Hb measured `days` after a session [g/L]; arguments broadcast with people.

    hb_after_g_l: at its end, by default that of the last session. nan where a person has no session and none is given.
    """
    after = people.hb_after_g_l if hb_after_g_l is None else np.asarray(hb_after_g_l, float)
    d = np.asarray(days, float)
    moved = -np.expm1(-d / fit.tau_days)
    found = forecast_level(fit.levels, people.levels, weight=moved, days=d)
    return Predictive(found.loc + (1.0 - moved) * after, found.scale, found.shape)


def filled_after(values: Floats, columns: SessionColumns, otherwise: float) -> Floats:
    """After-values [n] with the missing ones taken as the person's mean up to there, else as `otherwise`."""
    known = np.isfinite(values)
    total, n = columns.so_far(np.where(known, values, 0.0)), columns.so_far(known.astype(float))
    return np.where(known, values, np.where(n > 0, total / np.maximum(n, 1.0), otherwise))


def gaps_without_transfusion(columns: SessionColumns) -> Floats:
    """Days of the gap that ends at each row, [n]; nan for a first row and where something was transfused in between."""
    days = np.full(len(columns), np.nan)
    later = np.flatnonzero(np.diff(columns.person) == 0) + 1
    days[later] = columns.day[later] - columns.day[later - 1]
    return np.where(columns.gap_known & ~(columns.topup_hb_g > 0.0), days, np.nan)


def _sights(columns: SessionColumns, tau_days: float, usual_after_g_l: float) -> Sights:
    days = gaps_without_transfusion(columns)
    rows = np.flatnonzero(np.isfinite(days) & np.isfinite(columns.hb_before_g_l))
    after = filled_after(columns.hb_after_g_l, columns, usual_after_g_l)[rows - 1]
    moved = -np.expm1(-days[rows] / tau_days)
    return Sights(
        person=columns.person[rows],
        days=days[rows],
        weight=moved,
        value=columns.hb_before_g_l[rows] - (1.0 - moved) * after,
        n_people=columns.n_people,
    )
