"""What is believed of each person after their last session, given the programme's fit."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..columns import SessionColumns
from .filter import HBS, PACE, SPELL, WASHOUT, Gap, Run, pass_gap, run
from .fit import ProgrammeFit, one_set
from .panel import DEFAULT_UNTRANSFUSED_PCT, Panel, lay_out

Floats = NDArray[np.float64]

MEASURED, RECKONED, SUPPOSED = 0, 1, 2
_LATEST_GAPS = 6
_Z80 = float(ndtri(0.9))


@dataclass(frozen=True, slots=True)
class PeoplePace:
    """Arrays [P] (or any shape after `take` and `expanded`), nan where a person has no session.

    pace, pace_sd: points a day at the form's reference. after_pct, after_sd: true HbS after the last session, with
    after_pace_cov. spell, spell_sd: by what share the pace runs faster just now, with after_spell_cov and
    pace_spell_cov. after_source: MEASURED, RECKONED from the session, or SUPPOSED as in the programme.
    washout, washout_sd: how the log share left by an exchange differs from the reckoned one, as a fraction.
    hb_after_g_l, hb_after_sd, hb_rest_g_l: Hb after the last session and where it goes from there (haemoglobin.py).
    untransfused_pct. last_day: ordinal.
    usual_interval_days: median of the latest gaps. longest_twice_days: the longest gap reached at least twice, else the
    programme's 90th centile. n_gaps: gaps that say something of the pace.
    pace_pct_per_day with _low and _high (80 %): rise over the usual interval from the last after-value, points a day.
    """

    pace: Floats
    pace_sd: Floats
    after_pct: Floats
    after_sd: Floats
    after_pace_cov: Floats
    spell: Floats
    spell_sd: Floats
    after_spell_cov: Floats
    pace_spell_cov: Floats
    after_source: Any
    washout: Floats
    washout_sd: Floats
    hb_after_g_l: Floats
    hb_after_sd: Floats
    hb_rest_g_l: Floats
    untransfused_pct: Floats
    last_day: Floats
    usual_interval_days: Floats
    longest_twice_days: Floats
    n_gaps: Floats
    pace_pct_per_day: Floats
    pace_low_pct_per_day: Floats
    pace_high_pct_per_day: Floats

    def take(self, people: Any) -> "PeoplePace":
        """These people (indices, mask, or one index)."""
        return PeoplePace(**{f.name: np.asarray(getattr(self, f.name))[people] for f in fields(self)})

    def expanded(self, n_trailing_axes: int) -> "PeoplePace":
        """The same with this many axes of length one added at the end, for curves over days."""
        return self.take((..., *([None] * n_trailing_axes)))


def update_people(fit: ProgrammeFit, columns: SessionColumns) -> PeoplePace:
    """What is believed of each of the columns' n_people after their last row, given a programme's fit."""
    panel = lay_out(columns, fit.values)
    done = run(panel, fit.base_form, one_set(fit.values))
    blank = _blank(fit, columns.n_people)
    pace = _place(blank, panel, _believed(done))
    pace = replace(pace, **_habits(fit, blank, columns, panel))
    return _in_words(fit, pace)


def _blank(fit: ProgrammeFit, n_people: int) -> PeoplePace:
    unknown = {f.name: np.full(n_people, np.nan) for f in fields(PeoplePace)}
    v = fit.values
    unknown["pace"] = np.full(n_people, v["pace_mean"])
    unknown["pace_sd"] = np.full(n_people, np.hypot(v["pace_sd"], fit.pace_mean_se))
    unknown["washout"] = np.full(n_people, v["washout_mean"])
    unknown["washout_sd"] = np.full(n_people, v["washout_sd"])
    unknown["spell_sd"] = np.full(n_people, v["spell_sd"])
    unknown |= {name: np.zeros(n_people) for name in ("after_pace_cov", "spell", "after_spell_cov", "pace_spell_cov")}
    unknown["after_source"] = np.full(n_people, SUPPOSED)
    unknown["untransfused_pct"] = np.full(n_people, DEFAULT_UNTRANSFUSED_PCT)
    unknown["hb_after_g_l"] = np.full(n_people, v["hb_mean"])
    unknown["hb_after_sd"] = np.full(n_people, np.hypot(v["hb_mean_sd"], v["hb_sd"]))
    unknown["hb_rest_g_l"] = np.full(n_people, v["hb_rest"])
    unknown["n_gaps"] = np.zeros(n_people)
    return PeoplePace(**unknown)


def _believed(done: Run) -> dict[str, Floats]:
    """Mean and covariance of each person, the parts taken together."""
    weight = np.exp(done.state.log_weight[0])
    mean = (weight * done.state.mean[:, 0]).sum(axis=1)
    apart = done.state.mean[:, 0] - mean[:, None]
    cov = (weight * (done.state.cov[:, :, 0] + apart[:, None] * apart[None])).sum(axis=2)
    return {
        "after_pct": mean[HBS],
        "pace": mean[PACE],
        "washout": mean[WASHOUT],
        "spell": mean[SPELL],
        "after_sd": np.sqrt(cov[HBS, HBS]),
        "pace_sd": np.sqrt(cov[PACE, PACE]),
        "washout_sd": np.sqrt(cov[WASHOUT, WASHOUT]),
        "spell_sd": np.sqrt(cov[SPELL, SPELL]),
        "after_pace_cov": cov[HBS, PACE],
        "after_spell_cov": cov[HBS, SPELL],
        "pace_spell_cov": cov[PACE, SPELL],
    }


def _place(blank: PeoplePace, panel: Panel, believed: dict[str, Floats]) -> PeoplePace:
    placed = {name: getattr(blank, name).copy() for name in believed}
    for name, values in believed.items():
        placed[name][panel.order] = values
    return replace(blank, **placed)


def _habits(fit: ProgrammeFit, blank: PeoplePace, columns: SessionColumns, panel: Panel) -> dict[str, Any]:
    """Facts of each person's rows: last day, gap lengths, where the last after-value came from."""
    starts = columns.starts()
    some = np.diff(starts) > 0
    last = starts[1:][some] - 1
    out: dict[str, Any] = {
        "last_day": np.full(columns.n_people, np.nan),
        "usual_interval_days": np.full(columns.n_people, fit.usual_gap_days),
        "longest_twice_days": np.full(columns.n_people, fit.long_gap_days),
        "n_gaps": np.zeros(columns.n_people),
        "untransfused_pct": np.full(columns.n_people, DEFAULT_UNTRANSFUSED_PCT),
        "after_source": np.full(columns.n_people, SUPPOSED),
    }
    out["last_day"][some] = columns.day[last]
    out["untransfused_pct"][some] = np.nan_to_num(columns.untransfused_pct[last], nan=DEFAULT_UNTRANSFUSED_PCT)
    out["after_source"][some] = np.where(
        ~np.isnan(columns.hbs_after_pct[last]),
        MEASURED,
        np.where(~np.isnan(columns.hbs_ratio[last] * columns.hbs_before_pct[last]), RECKONED, SUPPOSED),
    )
    told = panel.usable & ~np.isnan(panel.before)
    out["n_gaps"][panel.order] = told.sum(axis=0)
    ends = ((panel.row >= 0).sum(axis=0) - 1, np.arange(len(panel.order)))
    for name, values in (
        ("hb_after_g_l", panel.hb_after), ("hb_after_sd", panel.hb_after_sd), ("hb_rest_g_l", panel.hb_rest),
    ):  # fmt: skip
        out[name] = getattr(blank, name).copy()
        out[name][panel.order] = values[ends]
    if len(panel.active) > 1:
        out["longest_twice_days"][panel.order] = _longest_twice(panel.days, fit.long_gap_days)
        out["usual_interval_days"][panel.order] = _usual(panel.days, fit.usual_gap_days)
    return out


def _longest_twice(days: Floats, otherwise: float) -> Floats:
    """Second longest gap of each column: the longest that was reached at least twice."""
    ranked = np.sort(np.nan_to_num(days, nan=-1.0), axis=0)
    return np.where(ranked[-2] > 0.0, ranked[-2], otherwise)


def _usual(days: Floats, otherwise: float) -> Floats:
    """Median of the latest gaps of each column."""
    counts = (~np.isnan(days)).sum(axis=0)
    turn = np.arange(len(days))[:, None]
    latest = np.where((turn > counts - _LATEST_GAPS) & (turn <= counts), days, np.nan)
    ranked = np.sort(latest, axis=0)  # nan goes last
    n = np.minimum(counts, _LATEST_GAPS)
    column = np.arange(days.shape[1])
    middle = 0.5 * (ranked[np.maximum(n - 1, 0) // 2, column] + ranked[n // 2, column])
    return np.where(n > 0, middle, otherwise)


def _in_words(fit: ProgrammeFit, pace: PeoplePace) -> PeoplePace:
    """Add the pace in points a day of this person's own course."""
    after = np.where(np.isnan(pace.after_pct), fit.usual_after_pct, pace.after_pct)
    days = pace.usual_interval_days
    gap = Gap(days, pace.untransfused_pct, pace.hb_after_g_l, 0.0, pace.hb_rest_g_l, 0.0, 1.0, 1.0)

    def a_day(per_day: Floats) -> Floats:
        return np.asarray((pass_gap(fit.base_form, fit.values, after, per_day, 0.0, gap).hbs - after) / days)

    return replace(
        pace,
        pace_pct_per_day=a_day(pace.pace),
        pace_low_pct_per_day=a_day(pace.pace - _Z80 * pace.pace_sd),
        pace_high_pct_per_day=a_day(pace.pace + _Z80 * pace.pace_sd),
    )
