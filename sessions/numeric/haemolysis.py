"""The haemolysis lock by figures: is a sample far under what is expected of this person so soon after red cells?

It locks when Hb and HbA mass (HbA share × Hb) of one sample, within 28 days of a transfusion, both lie under what the
model expects of that person on that day in 1 of 200. Hb under its value before the transfusion does not lock by itself:
in routine gaps that is common. Signs lock too, see `lock.py`.

Sources: HbA in g/dL followed after a transfusion: Mekontso Dessap A et al. Am J Hematol 2016;91:1181-4. Hb under the
value before the transfusion and HbA more than halved in hyperhaemolysis: Hendrickson JE, Fasano RM. Hematology
2021:704-9. 28 days: TRIP (NL) definitions of transfusion reactions. The 1 in 200 is chosen here; not from a source.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from .columns import Bools, Floats, SessionColumns
from .hb import HbFit, PeopleHb, filled_after, fit_hb, gaps_without_transfusion, predict_hb, update_hb
from .levels import LevelFit, Levels, Sights, filter_levels, forecast_level, learn_levels

WATCH_VERSION = "watch-2"
WATCH_DAYS = 28
RARE = 0.005
# HbA is about 97 % of a donor's haemoglobin, the rest HbA2 and HbF: common practice.
DONOR_HBA_PCT = 97.0
# Cells of all ages of one life span L are lost in a straight line, 1 − t/L; L 115.6 days: Shrestha RP et al.
# J Pharmacokinet Pharmacodyn 2016;43:259-74.
LIFE_DAYS = 115.6
_MOST_DAYS = 100.0
# Donor cells go as fast as that line ± a quarter; 6 % error at once, 4 % more over four weeks: wide, from memory.
_BEFORE_DATA = LevelFit(mean=1.05, sd=0.25, walk_sd=0.05, error_sd=0.06, error_growth_sd=0.04)
_USUAL_HBS_AFTER_PCT, _USUAL_UNTRANSFUSED_PCT = 18.0, 90.0


@dataclass(frozen=True, slots=True)
class WatchFit:
    """Programme's fit for the watch: Hb between sessions, and by how much the log of HbA mass falls (levels)."""

    hb: HbFit
    loss: LevelFit

    def to_dict(self) -> dict[str, Any]:
        """For storing as JSON; `from_dict` gives an equal fit back."""
        return {"model_version": WATCH_VERSION, "hb": self.hb.to_dict(), "loss": self.loss.to_dict()}

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> "WatchFit":
        """Raises: ValueError when it was made by another version of the model."""
        if stored["model_version"] != WATCH_VERSION:
            raise ValueError(f"This fit is of model {stored['model_version']!r}; this program reads {WATCH_VERSION!r}.")
        return cls(HbFit.from_dict(stored["hb"]), LevelFit.from_dict(stored["loss"]))


@dataclass(frozen=True, slots=True)
class Watched:
    """What is believed of each person after their last session, arrays [P]."""

    hb: PeopleHb
    loss: Levels
    hba_mass_after_g_l: Floats
    untransfused_pct: Floats

    def take(self, people: Any) -> "Watched":
        """These people: indices, mask, or an index that adds axes."""
        return Watched(
            self.hb.take(people),
            self.loss.take(people),
            self.hba_mass_after_g_l[people],
            self.untransfused_pct[people],
        )


@dataclass(frozen=True, slots=True)
class Figures:
    """One sample of each person against what was expected, arrays of one shape; Hb and HbA mass in g/L.

    locked: both lie under the lowest 1 in 200. can_say: both could be compared, and the day is within the watch.
    """

    locked: Bools
    can_say: Bools
    hb_expected: Floats
    hb_lowest: Floats
    hb_found: Floats
    hba_expected: Floats
    hba_lowest: Floats
    hba_found: Floats


def hba_mass_g_l(
    hb_g_l: Any, *, hba_pct: Any = np.nan, hbs_pct: Any = np.nan, untransfused_pct: Any = np.nan
) -> Floats:
    """HbA in g/L of blood: measured share × Hb, else the share reckoned from HbS; nan where neither is known.

    Arguments broadcast: Hb [g/L]; HbA, HbS and untransfused HbS [%]. Formula: Hb·HbA/100 (Mekontso Dessap 2016); in SS
    and SC disease own cells hold no HbA, so HbA = 97·(1 − HbS/untransfused HbS). Donor share under 0 counts as 0.
    """
    share = np.maximum(1.0 - np.asarray(hbs_pct, float) / untransfused_pct, 0.0)
    reckoned = DONOR_HBA_PCT * share
    pct = np.where(np.isnan(np.asarray(hba_pct, float)), reckoned, hba_pct)
    return np.asarray(np.asarray(hb_g_l, float) * pct / 100.0)


def fit_watch(columns: SessionColumns) -> WatchFit:
    """Learn from everybody's gaps how Hb and HbA mass go between sessions.

    Model of the latter: log(after/before) = level·(−log(1 − d/115.6)) + error; level 1 is the published line.
    """
    hb = fit_hb(columns)
    loss, _ = learn_levels(_sights(hb, columns), before_data=_BEFORE_DATA)
    return WatchFit(hb, loss)


def update_watch(fit: WatchFit, columns: SessionColumns) -> Watched:
    """What is believed of each person after their last row; nan where there is none."""
    ends = columns.starts()[1:] - 1
    some = np.diff(columns.starts()) > 0

    def at_end(values: Floats) -> Floats:
        return np.where(some, values[np.where(some, ends, 0)], np.nan) if len(values) else np.full(len(some), np.nan)

    return Watched(
        hb=update_hb(fit.hb, columns),
        loss=filter_levels(fit.loss, _sights(fit.hb, columns)).levels,
        hba_mass_after_g_l=at_end(_mass_after(fit.hb, columns)),
        untransfused_pct=at_end(_untransfused(columns)),
    )


def compare(
    fit: WatchFit,
    watched: Watched,
    *,
    days: Any,
    hb_g_l: Any,
    hba_pct: Any = np.nan,
    hbs_pct: Any = np.nan,
    topup_hb_g_l: Any = 0.0,
) -> Figures:
    """Hold one sample of each person against what the model expects on that day.

    Arguments broadcast with people: days since the session, Hb found [g/L], HbA found [%] or else HbS [%].
    topup_hb_g_l: donor Hb given since the session, per litre of blood volume, which raises what is expected.
    Beyond 28 days, and where a figure is missing, can_say is False and nothing locks.
    """
    d = np.asarray(days, float)
    added = np.asarray(topup_hb_g_l, float)
    hb = predict_hb(fit.hb, watched.hb, days=d, hb_after_g_l=watched.hb.hb_after_g_l + added)
    gone = forecast_level(fit.loss, watched.loss, weight=_line(d), days=d)
    mass_after = watched.hba_mass_after_g_l + added * DONOR_HBA_PCT / 100.0
    found_hb = np.asarray(hb_g_l, float)
    found_mass = hba_mass_g_l(found_hb, hba_pct=hba_pct, hbs_pct=hbs_pct, untransfused_pct=watched.untransfused_pct)
    hb_lowest, mass_lowest = hb.quantile(RARE), mass_after * np.exp(-gone.quantile(1.0 - RARE))
    shape = np.broadcast(d, found_mass, hb_lowest, mass_lowest).shape
    known = np.isfinite(found_hb) & np.isfinite(found_mass) & np.isfinite(hb_lowest) & np.isfinite(mass_lowest)
    can_say = np.broadcast_to(known & (d >= 0.0) & (d <= WATCH_DAYS), shape)
    return Figures(
        locked=can_say & (found_hb < hb_lowest) & (found_mass < mass_lowest),
        can_say=can_say,
        hb_expected=np.broadcast_to(hb.median(), shape),
        hb_lowest=np.broadcast_to(hb_lowest, shape),
        hb_found=np.broadcast_to(found_hb, shape),
        hba_expected=np.broadcast_to(mass_after * np.exp(-gone.median()), shape),
        hba_lowest=np.broadcast_to(mass_lowest, shape),
        hba_found=np.broadcast_to(found_mass, shape),
    )


def _sights(hb: HbFit, columns: SessionColumns) -> Sights:
    days = gaps_without_transfusion(columns)
    before = hba_mass_g_l(
        columns.hb_before_g_l, hbs_pct=columns.hbs_before_pct, untransfused_pct=_untransfused(columns)
    )
    after = np.r_[np.nan, _mass_after(hb, columns)[:-1]] if len(columns) else before
    rows = np.flatnonzero(np.isfinite(days) & (before > 0.0) & (after > 0.0))
    return Sights(
        person=columns.person[rows],
        days=days[rows],
        weight=_line(days[rows]),
        value=np.log(after[rows] / before[rows]),
        n_people=columns.n_people,
    )


def _line(days: Floats) -> Floats:
    """How far the log of donor cells has fallen on the published line after so many days."""
    return np.asarray(-np.log1p(-np.minimum(days, _MOST_DAYS) / LIFE_DAYS))


def _mass_after(hb: HbFit, columns: SessionColumns) -> Floats:
    """HbA mass after each session, [n]: HbS measured, else reckoned from the session, else the person's mean."""
    reckoned = columns.hbs_ratio * columns.hbs_before_pct
    hbs = np.where(np.isnan(columns.hbs_after_pct), reckoned, columns.hbs_after_pct)
    return hba_mass_g_l(
        filled_after(columns.hb_after_g_l, columns, hb.usual_after_g_l),
        hbs_pct=filled_after(hbs, columns, _USUAL_HBS_AFTER_PCT),
        untransfused_pct=_untransfused(columns),
    )


def _untransfused(columns: SessionColumns) -> Floats:
    return np.nan_to_num(columns.untransfused_pct, nan=_USUAL_UNTRANSFUSED_PCT)
