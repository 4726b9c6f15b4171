"""Has the pace of somebody changed? A flag with when, from, to and range, and what to consider.

The last two or three gaps are held against up to a year of gaps before them. If they agree on another pace by more than
chance allows, it is flagged. One odd gap never flags: it is more often a wrong tube than a changed person.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtri

from .columns import EARLY_UNWELL, METHOD_UNKNOWN, Bools, Floats, Ints, SessionColumns
from .drift.fit import ProgrammeFit
from .drift.person import PeoplePace, update_people
from .drift.predict import predict
from .forecasters import gap_days, histories

CAUSES = (
    "a missed or incomplete session",
    "illness or admission",
    "haemolysis",
    "a drug started, stopped or not taken",
    "a new antibody",
    "samples taken too early or from the wrong tube",
    "another assay method",
)
WINDOWS = (2, 3)  # gaps that must agree
GAPS_BEFORE, LEAST_GAPS_BEFORE = 14, 4
# Set so that at most 5 false flags are raised in 100 person-years of made-up worlds (see the tests); not from a source.
# A faster pace is dangerous, a slower one is not, so most of the false alarms are spent on the former.
FASTER_SCORE, SLOWER_SCORE = 2.6, 3.0
_FAR = 2.0  # spreads: a gap further out than this from the others counts as this far
_CLEAR = 0.5  # spreads by which at least two gaps must lie on the side of the change
_STEP = 0.25  # size of the change by which the effect of a pace is read off
_AT_LEAST = 0.15  # changes of pace under 15 % are not worth a word
_Z80 = float(ndtri(0.9))


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

    score: how far beyond chance, in normal scores, positive for faster; nan where too little is known to say.
    """

    flagged: Bools
    score: Floats
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


@dataclass(frozen=True, slots=True)
class _Gaps:
    """The latest gaps that count, arrays [P, K], newest first; effect [points] of a pace one larger by its whole."""

    row: Ints  # −1 where there is none
    share: Floats  # of the reference pace by which the gap lies off
    weight: Floats  # 1 over the variance of that; 0 where there is none


def find_changes(fit: ProgrammeFit, columns: SessionColumns, *, score_spread: float = 1.0) -> PaceChanges:
    """Flag people whose last two or three gaps agree on another pace than the gaps before them.

    Each gap tells of a pace off the person's reference by the share e/c ± s/c, with error e and spread s of its
    forecast and effect c of the pace on it [points]. The precision-weighted means of the last w gaps and of up to 14
    before are compared; score = difference over its spread, over `score_spread`. Flagged over 2.6 (faster) or under
    −3.0 (slower), for w = 2 or 3, when two gaps lie clearly on that side and the change is at least 15 %. Gaps that
    ended early for being unwell, and those in which something was transfused, do not count. Windows and scores are
    chosen here by test; not from a source. score_spread: see `learn_score_spread`.
    """
    pace = _pace_alone(fit, update_people(fit, columns))
    gaps = _latest_gaps(fit, columns, pace)
    first, *others = (_compared(gaps, window) for window in WINDOWS)
    best = first
    for other in others:
        stronger = np.nan_to_num(np.abs(other["score"])) > np.nan_to_num(np.abs(best["score"]))
        best = {key: np.where(stronger, other[key], best[key]) for key in best}
    score, old, new = best["score"] / score_spread, 1.0 + best["before"], 1.0 + best["now"]
    change = new / np.maximum(old, 0.1) - 1.0
    flagged = ((score > FASTER_SCORE) | (score < -SLOWER_SCORE)) & (np.abs(change) >= _AT_LEAST)
    start = np.where(flagged, best["first_row"] - 1, 0).astype(np.int64)
    usual = pace.pace_pct_per_day
    return PaceChanges(
        flagged=flagged,
        score=score,
        since_day=columns.day[start] if len(columns) else np.zeros(columns.n_people, dtype=np.int64),
        gaps=best["window"].astype(np.int64),
        from_pct_per_day=usual * np.maximum(old, 0.0),
        to_pct_per_day=usual * np.maximum(new, 0.0),
        low_pct_per_day=usual * np.maximum(new - _Z80 * best["now_sd"], 0.0),
        high_pct_per_day=usual * np.maximum(new + _Z80 * best["now_sd"], 0.0),
        method_changed=flagged & _method_changed(columns, start, gaps.row[:, 0]),
    )


def learn_score_spread(fit: ProgrammeFit, columns: SessionColumns) -> float:
    """How widely the score of three gaps really spreads in this programme, in place of 1; 1 with under 100 scores.

    Where paces never stand still, a difference that chance would not make is common and no news. Read off the middle
    80 % of scores over time, of at most 150 people and 4,000 days, so true changes of a few people weigh little.
    """
    people = np.unique(columns.person)
    chosen = (
        people[np.linspace(0, len(people) - 1, min(150, len(people))).round().astype(int)] if len(people) else people
    )
    rows = np.flatnonzero(np.isin(columns.person, chosen) & (columns.sequence() > max(WINDOWS) + LEAST_GAPS_BEFORE))
    if len(rows) < 100:
        return 1.0
    rows = rows[np.linspace(0, len(rows) - 1, min(4000, len(rows))).round().astype(int)]
    then = histories(columns, rows, with_row=True)
    pace = _pace_alone(fit, update_people(fit, then))
    score = _compared(_latest_gaps(fit, then, pace), max(WINDOWS), disagree_counts=True)["score"]
    score = score[np.isfinite(score)]
    return float(np.quantile(np.abs(score), 0.8) / ndtri(0.9)) if len(score) >= 100 else 1.0


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


def _latest_gaps(fit: ProgrammeFit, columns: SessionColumns, pace: PeoplePace) -> _Gaps:
    after, after_sd = _after(columns, fit.values["assay_sd"])
    row = _latest_rows(columns, np.isfinite(after), max(WINDOWS) + GAPS_BEFORE)
    at = np.maximum(row, 1)
    if len(columns) < 2:
        return _Gaps(row, np.zeros(row.shape), np.zeros(row.shape))
    reference = pace.expanded(1)
    hb = columns.hb_after_g_l[at - 1]
    given: dict[str, Any] = {
        "days": gap_days(columns)[at],
        "after_pct": after[at - 1],
        "after_sd_pct": after_sd[at - 1],
        "hb_after_g_l": np.where(np.isnan(hb), reference.hb_after_g_l, hb),
    }
    expected = predict(fit, reference, **given)
    faster = predict(fit, replace(reference, pace=reference.pace * (1.0 + _STEP)), **given)
    effect = (faster.loc - expected.loc) / _STEP
    z = (columns.hbs_before_pct[at] - expected.median()) / expected.scale
    known = (row >= 0) & np.isfinite(z) & (effect > 0.5)
    share = np.where(known, z * expected.scale / np.where(known, effect, 1.0), 0.0)
    return _Gaps(row, share, np.where(known, (effect / expected.scale) ** 2, 0.0))


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


def _compared(gaps: _Gaps, window: int, *, disagree_counts: bool = False) -> dict[str, Floats]:
    """The newest `window` gaps against those before, [P]; 0 where they do not agree, unless that counts too.

    So that one gap far out cannot decide, older gaps are held near their median, newer ones near the one of them that
    is least or second least far from it.
    """
    now_share, now_weight = gaps.share[:, :window], gaps.weight[:, :window]
    old_share, old_weight = gaps.share[:, window : window + GAPS_BEFORE], gaps.weight[:, window : window + GAPS_BEFORE]
    usual = _median(old_share, old_weight > 0.0)[:, None]
    order = np.argsort(np.abs(now_share - usual), axis=1)
    centre = np.take_along_axis(now_share, order[:, [(window - 1) // 2]], axis=1)
    old, old_var = _mean(_held(old_share, old_weight, usual), old_weight)
    now, now_var = _mean(_held(now_share, now_weight, centre), now_weight)
    score = (now - old) / np.sqrt(now_var + old_var)
    side = (now_share - old[:, None]) * np.sign(now - old)[:, None] * np.sqrt(now_weight)
    agree = (side > _CLEAR).sum(axis=1) >= min(WINDOWS)
    enough = (now_weight > 0.0).all(axis=1) & ((old_weight > 0.0).sum(axis=1) >= LEAST_GAPS_BEFORE)
    return {
        "score": np.where(enough, np.where(agree | disagree_counts, score, 0.0), np.nan),
        "before": old,
        "now": now,
        "now_sd": np.sqrt(now_var),
        "window": np.full(len(now), float(window)),
        "first_row": gaps.row[:, window - 1].astype(float),
    }


def _held(share: Floats, weight: Floats, centre: Floats) -> Floats:
    far = _FAR / np.sqrt(np.maximum(weight, 1e-9))
    return np.clip(share, centre - far, centre + far)


def _median(values: Floats, known: Bools) -> Floats:
    """Median over the last axis of what is known, 0 where nothing is."""
    ranked = np.sort(np.where(known, values, np.inf), axis=1)
    n = known.sum(axis=1)
    row = np.arange(len(values))
    middle = 0.5 * (ranked[row, np.maximum(n - 1, 0) // 2] + ranked[row, np.minimum(n // 2, values.shape[1] - 1)])
    return np.where(n > 0, np.where(np.isfinite(middle), middle, 0.0), 0.0)


def _mean(share: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Precision-weighted mean over the gaps and its variance, [P]."""
    total = np.maximum(weight.sum(axis=1), 1e-9)
    return (share * weight).sum(axis=1) / total, 1.0 / total


def _after(columns: SessionColumns, assay_sd: float) -> tuple[Floats, Floats]:
    """HbS after each session, measured or else reckoned, and its spread, [n]."""
    reckoned = columns.hbs_ratio * columns.hbs_before_pct
    reckoned_sd = columns.hbs_before_pct * np.nan_to_num(columns.hbs_ratio_sd, nan=0.05)
    measured = np.isfinite(columns.hbs_after_pct)
    return np.where(measured, columns.hbs_after_pct, reckoned), np.where(measured, assay_sd, reckoned_sd)


def _method_changed(columns: SessionColumns, start: Ints, newest: Ints) -> Bools:
    """Whether the assay method at the newest gap is another than at the session before the first of the window."""
    if not len(columns):
        return np.zeros(len(start), dtype=bool)
    then, now = columns.method[start], columns.method[np.maximum(newest, 0)]
    return np.asarray((then != now) & (then != METHOD_UNKNOWN) & (now != METHOD_UNKNOWN))
