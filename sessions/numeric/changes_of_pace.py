"""Has the pace of somebody changed? A flag with when, from, to and range, and what to consider.

The last two to six gaps are held against up to a year of gaps before them. If they agree on another pace by more than
chance allows, it is flagged. One odd gap never flags: it is more often a wrong tube than a changed person.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtri

from .columns import EARLY_UNWELL, METHOD_UNKNOWN, Bools, Floats, Ints, SessionColumns
from .drift.fit import ProgrammeFit
from .drift.haemoglobin import haemoglobin_after
from .drift.person import PeoplePace, update_people
from .drift.predict import predict
from .forecasters import gap_days
from .pace_shift import (
    GAPS_HELD,
    GAPS_WATCHED,
    Gaps,
    Steady,
    Thresholds,
    compare,
    hold,
    windows,
)
from .pace_shift import learn_thresholds as _learn_thresholds
from .predictive import SHAPE_BEFORE_DATA, Shape

CAUSES = (
    "a missed or incomplete session",
    "illness or admission",
    "haemolysis",
    "a drug started, stopped or not taken",
    "a new antibody",
    "samples taken too early or from the wrong tube",
    "another assay method",
)
_STEP = 0.25  # size of the change by which the effect of a pace is read off
_LEAST_CLIMB = 1.0  # points; a gap that was expected to climb less tells nothing
_SAME = 3.0  # spreads within which a measured and a reckoned after-value are taken for the same
_Z80 = float(ndtri(0.9))
_PEOPLE_TO_LEARN_FROM = 200
_DRAWS_SEED = 20_240_731


@dataclass(frozen=True, slots=True)
class PaceChange:
    """One person's flagged change. since_day: ordinal of the session after which the pace was another.

    gaps: how many gaps say so. Paces in points a day at the usual interval; low and high: 80 % range of the new one.
    method_changed: the assay method is another one since then, which can fake a change.
    """

    since_day: int
    gaps: int
    from_pct_per_day: float
    to_pct_per_day: float
    low_pct_per_day: float
    high_pct_per_day: float
    method_changed: bool

    @property
    def faster(self) -> bool:
        return self.to_pct_per_day > self.from_pct_per_day


@dataclass(frozen=True, slots=True)
class PaceChanges:
    """For each person, arrays [P]; figures as in `PaceChange`, of no meaning where nothing is flagged.

    faster, slower: log odds of such a change against none (see `pace_shift`); nan where too little is known to say.
    """

    flagged: Bools
    faster: Floats
    slower: Floats
    since_day: Ints
    gaps: Ints
    from_pct_per_day: Floats
    to_pct_per_day: Floats
    low_pct_per_day: Floats
    high_pct_per_day: Floats
    method_changed: Bools

    def of(self, person: int) -> PaceChange | None:
        """The change of one person, None where nothing is flagged."""
        if not self.flagged[person]:
            return None
        names = PaceChange.__slots__
        plain = {name: getattr(self, name)[person].item() for name in names}
        return PaceChange(**plain)


def find_changes(
    fit: ProgrammeFit, columns: SessionColumns, thresholds: Thresholds, believed: PeoplePace | None = None
) -> PaceChanges:
    """Flag people whose last two to six gaps agree on another pace than the gaps before them.

    Each gap tells of a climb off the person's reference by the share e/c ± s/c, with error e and spread s of its
    forecast and the climb c that it expects [points]; `pace_shift` turns these into odds of a change, and who is over
    a threshold is flagged. Gaps that ended early for being unwell, and those in which something was transfused, do
    not count. thresholds: see `learn_thresholds`. believed: what `update_people` says of the same, where at hand.
    """
    pace = _pace_alone(fit, update_people(fit, columns) if believed is None else believed)
    row, gaps, steady = _latest_gaps(fit, columns, pace, GAPS_HELD)
    odds = compare(gaps, steady, windows(gaps, steady), gaps.share)
    faster = np.nan_to_num(odds.faster - thresholds.faster, nan=-np.inf)
    slower = np.nan_to_num(odds.slower - thresholds.slower, nan=-np.inf)
    size = np.where(faster >= slower, odds.faster_gaps, odds.slower_gaps).astype(np.int64)
    flagged = np.maximum(faster, slower) > 0.0
    old, new, new_sd = _paces(gaps, size)
    first = row[np.arange(len(row)), size - 1]
    start = np.where(flagged, first - 1, 0).astype(np.int64)
    usual = pace.pace_pct_per_day
    return PaceChanges(
        flagged=flagged,
        faster=odds.faster,
        slower=odds.slower,
        since_day=columns.day[start] if len(columns) else np.zeros(columns.n_people, dtype=np.int64),
        gaps=size,
        from_pct_per_day=usual * np.maximum(old, 0.0),
        to_pct_per_day=usual * np.maximum(new, 0.0),
        low_pct_per_day=usual * np.maximum(new - _Z80 * new_sd, 0.0),
        high_pct_per_day=usual * np.maximum(new + _Z80 * new_sd, 0.0),
        method_changed=flagged & _method_changed(columns, start, row[:, 0]),
    )


def learn_thresholds(fit: ProgrammeFit, columns: SessionColumns) -> Thresholds:
    """Thresholds for this programme: its gaps are drawn anew from the fit, of at most 200 people, with nothing changed.

    The same columns give the same thresholds. What really happened in the gaps does not enter.
    """
    people = np.flatnonzero(np.diff(columns.starts()) > 1)
    if len(people) > _PEOPLE_TO_LEARN_FROM:
        people = people[np.linspace(0, len(people) - 1, _PEOPLE_TO_LEARN_FROM).round().astype(int)]
    some = columns.take_people(people)
    pace = _pace_alone(fit, update_people(fit, some))
    _, gaps, steady = _latest_gaps(fit, some, pace, GAPS_WATCHED + GAPS_HELD)
    return _learn_thresholds(gaps, steady, np.random.default_rng(_DRAWS_SEED))


def _paces(gaps: Gaps, size: Ints) -> tuple[Floats, Floats, Floats]:
    """Pace before and in the newest `size` gaps, as shares of the reference, and the spread of the latter, [P]."""
    out = np.zeros((3, len(size)))
    for window in np.unique(size):
        _, held = hold(gaps, gaps.share, int(window))
        weight = np.where(gaps.known, 1.0 / gaps.sd**2, 0.0)
        old, _ = _mean(held[:, window:], weight[:, window:])
        new, var = _mean(held[:, :window], weight[:, :window])
        out = np.where(size == window, [1.0 + old, 1.0 + new, np.sqrt(var)], out)
    return out[0], out[1], out[2]


def _mean(share: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Precision-weighted mean over the gaps and its variance, [P]."""
    total = np.maximum(weight.sum(axis=1), 1e-9)
    return (share * weight).sum(axis=1) / total, 1.0 / total


def _pace_alone(fit: ProgrammeFit, pace: PeoplePace) -> PeoplePace:
    """The pace as reference, with nothing said of its error or of the spell of the day."""
    nothing = np.zeros_like(pace.pace)
    return replace(
        pace,
        pace_sd=nothing,
        spell=nothing,
        spell_sd=nothing + fit.values["spell_sd"],
        pace_spell_cov=nothing,
        after_spell_cov=nothing,
    )


def _latest_gaps(fit: ProgrammeFit, columns: SessionColumns, pace: PeoplePace, most: int) -> tuple[Ints, Gaps, Steady]:
    """Rows that end the latest gaps [P, most], −1 beyond them; what they say; and what a steady pace is."""
    after, after_sd = _after(fit, columns, pace)
    row = _latest_rows(columns, np.isfinite(after), most)
    if len(columns) < 2:
        return row, _no_gaps(row.shape), _steady(fit, pace, np.ones(len(row)), SHAPE_BEFORE_DATA)
    at = np.maximum(row, 1)
    # Hb as in every forecast, with its error: a measured one alone is off by more than its gap's chance allows for.
    hb, hb_sd = haemoglobin_after(columns, fit.values)
    reference = replace(pace.expanded(1), hb_after_g_l=hb[at - 1], hb_after_sd=hb_sd[at - 1])
    given: dict[str, Any] = {
        "days": gap_days(columns)[at],
        "after_pct": after[at - 1],
        "after_sd_pct": after_sd[at - 1],
    }
    expected = predict(fit, reference, **given)
    faster = predict(fit, replace(reference, pace=reference.pace * (1.0 + _STEP)), **given)
    climb, error = expected.loc - after[at - 1], columns.hbs_before_pct[at] - expected.median()
    known = (row >= 0) & np.isfinite(error) & (climb > _LEAST_CLIMB)
    climb = np.where(known, climb, 1.0)
    gaps = Gaps(
        known=known,
        share=np.where(known, error / climb, 0.0),
        sd=np.where(known, expected.scale / climb, 1.0),
        begins=np.where(known, columns.day[at - 1], 0).astype(float),
        ends=np.where(known, columns.day[at], 0).astype(float),
    )
    effect = np.where(known, (faster.loc - expected.loc) / _STEP, 0.0).sum(axis=1)
    by_pace = np.where(known.any(axis=1), effect / np.maximum((climb * known).sum(axis=1), 1.0), 1.0)
    return row, gaps, _steady(fit, pace, by_pace, expected.shape)


def _no_gaps(shape: tuple[int, ...]) -> Gaps:
    nothing = np.zeros(shape)
    return Gaps(nothing > 0.0, nothing, nothing + 1.0, nothing, nothing)


def _steady(fit: ProgrammeFit, pace: PeoplePace, by_pace: Floats, shape: Shape) -> Steady:
    """by_pace [P]: by what share the climb of a gap grows when the pace of the form grows by its whole."""
    reference = np.maximum(pace.pace, 0.1 * fit.values["pace_mean"])
    return Steady(
        centre=by_pace * (fit.values["pace_mean"] / reference - 1.0),
        between_sd=by_pace * fit.values["pace_sd"] / reference,
        walk_sd=by_pace * fit.values["pace_walk_sd"] / reference,
        spell_sd=by_pace * fit.values["spell_sd"],
        spell_days=fit.values["spell_days"],
        shape=shape,
    )


def _latest_rows(columns: SessionColumns, start_known: Bools, most: int) -> Ints:
    """Rows [P, most] that end each person's latest gaps that count, newest first; −1 beyond them."""
    counts = (
        np.isfinite(gap_days(columns))
        & columns.gap_known
        & ~(columns.topup_hb_g > 0.0)
        & np.isfinite(columns.hbs_before_pct)
        & (columns.reason != EARLY_UNWELL)
    )
    counts[1:] &= start_known[:-1]
    counting = np.flatnonzero(counts)
    people = np.arange(columns.n_people)
    begins = np.searchsorted(columns.person[counting], people, side="left")
    place = np.searchsorted(columns.person[counting], people, side="right")[:, None] - 1 - np.arange(most)
    if not len(counting):
        return np.full(place.shape, -1, dtype=np.int64)
    return np.where(place >= begins[:, None], counting[np.maximum(place, 0)], -1).astype(np.int64)


def _after(fit: ProgrammeFit, columns: SessionColumns, pace: PeoplePace) -> tuple[Floats, Floats]:
    """HbS after each session and its spread, [n]: measured and reckoned taken together where both agree, else one."""
    assay_sd, before = fit.values["assay_sd"], columns.hbs_before_pct
    washout, washout_sd = pace.washout[columns.person], pace.washout_sd[columns.person]
    ratio = np.clip(columns.hbs_ratio, 0.02, 0.995)
    log_ratio = np.log(ratio)
    ratio_sd = np.nan_to_num(columns.hbs_ratio_sd, nan=0.05) / ratio * fit.values["washout_error"]
    left = np.exp((1.0 + washout) * log_ratio)
    reckoned = left * before
    reckoned_sd = np.hypot(left * assay_sd, reckoned * np.hypot(ratio_sd, log_ratio * washout_sd))
    measured = columns.hbs_after_pct
    weight = assay_sd**-2 / (assay_sd**-2 + np.maximum(reckoned_sd, 0.1) ** -2)
    same = np.abs(measured - reckoned) < _SAME * np.hypot(assay_sd, reckoned_sd)
    alone = np.isfinite(measured)
    return (
        np.where(same, weight * measured + (1.0 - weight) * reckoned, np.where(alone, measured, reckoned)),
        np.where(same, assay_sd * np.sqrt(weight), np.where(alone, assay_sd, reckoned_sd)),
    )


def _method_changed(columns: SessionColumns, start: Ints, newest: Ints) -> Bools:
    """Whether the assay method at the newest gap is another than at the session before the first of the window."""
    if not len(columns):
        return np.zeros(len(start), dtype=bool)
    then, now = columns.method[start], columns.method[np.maximum(newest, 0)]
    return np.asarray((then != now) & (then != METHOD_UNKNOWN) & (now != METHOD_UNKNOWN))
