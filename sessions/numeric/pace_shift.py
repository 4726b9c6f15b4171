"""Odds that the latest gaps of a person go at another pace than the gaps before them.

For each of the windows of the last 2 to 6 gaps the likelihood of a pace that rose (or fell) by a given share at its
start is held against that of a steady one; the ratios are summed over the windows, because nobody knows when
(Shiryaev AN, Theory Probab Appl 1963;8:22-46; Roberts SW, Technometrics 1966;8:411-30). The pace before is not known
either: it is learnt from the older gaps and the programme, within the same likelihood.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .columns import Bools, Floats
from .predictive import SCORES, Shape

WINDOWS = (2, 3, 4, 5, 6)  # gaps that agree on another pace
GAPS_BEFORE, LEAST_GAPS_BEFORE = 14, 4
GAPS_HELD = max(WINDOWS) + GAPS_BEFORE
# The change that is looked for: +40 %, and back. Chosen here; not from a source.
FASTER_BY, SLOWER_BY = 0.4, -0.3
_FAR = 2.5  # spreads: a gap further out than this from the others counts as this far
_CLEAR = 0.5  # spreads by which at least two gaps must lie on the side of the change
_LEAST_AGREEING = 2
_LARGEST = 60.0  # of a log likelihood ratio, so that its exponential stays finite
USUAL_GAP_DAYS = 28.0


@dataclass(frozen=True, slots=True)
class Gaps:
    """The latest gaps that count, arrays [P, K], newest first.

    known: whether there is one. share: of the climb expected at the reference pace by which the gap lies off it. sd:
    spread of that by the gap's own chance. begins, ends: days, from any one day on.
    """

    known: Bools
    share: Floats
    sd: Floats
    begins: Floats
    ends: Floats

    def since(self, first: int) -> "Gaps":
        """As it stood before the newest `first` gaps, with at most GAPS_HELD gaps."""
        held = slice(first, first + GAPS_HELD)
        return Gaps(
            self.known[:, held], self.share[:, held], self.sd[:, held], self.begins[:, held], self.ends[:, held]
        )


@dataclass(frozen=True, slots=True)
class Steady:
    """What the gaps of somebody at a steady pace have in common, in shares of their climb.

    centre, between_sd [P]: the programme's mean pace less the reference, and the spread of paces between people.
    walk_sd [P]: how far a pace wanders in 28 days. spell_sd [P], spell_days: how far it runs off for a while, and for
    how long. shape: of a gap's own chance.
    """

    centre: Floats
    between_sd: Floats
    walk_sd: Floats
    spell_sd: Floats
    spell_days: float
    shape: Shape


class Window(NamedTuple):
    """How to weigh the gaps for a change before the newest `gaps` of them; by_gap [P, K], information, possible [P]."""

    gaps: int
    by_gap: Floats
    information: Floats
    possible: Bools


class Odds(NamedTuple):
    """Log of the summed likelihood ratios, [..., P], nan where too little is known; and the likeliest window each."""

    faster: Floats
    slower: Floats
    faster_gaps: Floats
    slower_gaps: Floats


def windows(gaps: Gaps, steady: Steady) -> tuple[Window, ...]:
    """The matched filters of all windows: Σ⁻¹s and s'Σ⁻¹s, with s = 1 over the window and Σ as of a steady pace."""
    inverse = np.linalg.inv(steady_covariance(gaps, steady))
    n_known = gaps.known.sum(axis=1)
    found = []
    for window in WINDOWS:
        inside = gaps.known & (np.arange(gaps.known.shape[1]) < window)
        by_gap = np.einsum("pij,pj->pi", inverse, inside.astype(float))
        possible = (inside.sum(axis=1) == window) & (n_known - window >= LEAST_GAPS_BEFORE)
        found.append(Window(window, by_gap, (by_gap * inside).sum(axis=1), possible))
    return tuple(found)


def steady_covariance(gaps: Gaps, steady: Steady) -> Floats:
    """Covariance of the shares of a steady pace, [P, K, K]: the unknown pace, its wandering, spells, own chance."""
    both = gaps.known[:, :, None] & gaps.known[:, None, :]
    middle = 0.5 * (gaps.begins + gaps.ends)
    first = np.where(gaps.known, middle, np.inf).min(axis=1, initial=np.inf)
    since = np.where(gaps.known, middle - np.where(np.isfinite(first), first, 0.0)[:, None], 0.0)
    walked = np.minimum(since[:, :, None], since[:, None, :]) / USUAL_GAP_DAYS
    shared = (steady.between_sd**2)[:, None, None] + (steady.walk_sd**2)[:, None, None] * walked
    return np.where(both, shared, 0.0) + _own_covariance(gaps, steady)


def _own_covariance(gaps: Gaps, steady: Steady) -> Floats:
    """Of the gaps' own chance: spells last from one gap into the next (integrals of an Ornstein-Uhlenbeck process)."""
    both = gaps.known[:, :, None] & gaps.known[:, None, :]
    days = np.where(gaps.known, np.maximum(gaps.ends - gaps.begins, 1.0), 1.0)
    mean_spell = steady.spell_sd[:, None] * steady.spell_days * -np.expm1(-days / steady.spell_days) / days
    between = np.maximum(gaps.begins[:, :, None], gaps.begins[:, None, :]) - np.minimum(
        gaps.ends[:, :, None], gaps.ends[:, None, :]
    )
    lasting = np.exp(-np.maximum(between, 0.0) / steady.spell_days)
    cov = np.where(both, mean_spell[:, :, None] * mean_spell[:, None, :] * lasting, 0.0)
    here = np.arange(cov.shape[1])
    cov[:, here, here] = gaps.sd**2
    return cov


def compare(gaps: Gaps, steady: Steady, found: tuple[Window, ...], share: Floats) -> Odds:
    """Odds of a change, with `share` [..., P, K] in place of the shares in `gaps`.

    log LR of a change by δ over a window = δu − δ²w/2, u = s'Σ⁻¹(share − centre), w = s'Σ⁻¹s. So that one gap far out
    cannot decide, older gaps are held near their median, newer ones near the one of them that is least or second
    least far from it; and two gaps must lie clearly on the side of the change.
    """
    faster: list[Floats] = []
    slower: list[Floats] = []
    for window in found:
        usual, held = hold(gaps, share, window.gaps)
        u = (window.by_gap * (held - steady.centre[:, None])).sum(axis=-1)
        off = (share[..., : window.gaps] - usual[..., None]) / gaps.sd[:, : window.gaps]
        before = np.maximum(1.0 + usual, 0.1)
        for size, side, kept in ((FASTER_BY, 1.0, faster), (SLOWER_BY, -1.0, slower)):
            delta = size * before
            ratio = np.minimum(delta * u - 0.5 * delta**2 * window.information, _LARGEST)
            agree = (side * off > _CLEAR).sum(axis=-1) >= _LEAST_AGREEING
            kept.append(np.where(window.possible & agree, ratio, -np.inf))
    told = found[0].possible
    sums = [np.where(told, np.logaddexp.reduce(kept, axis=0), np.nan) for kept in (faster, slower)]
    sizes = np.array(WINDOWS, dtype=float)
    return Odds(sums[0], sums[1], sizes[np.argmax(faster, axis=0)], sizes[np.argmax(slower, axis=0)])


def hold(gaps: Gaps, share: Floats, window: int) -> tuple[Floats, Floats]:
    """Median of the gaps before the window [..., P], and all shares with those far out held in [..., P, K]."""
    older = gaps.known & (np.arange(gaps.known.shape[1]) >= window)
    usual = _median(share, older)
    new = share[..., :window]
    order = np.argsort(np.abs(new - usual[..., None]), axis=-1)
    centre = np.take_along_axis(new, order[..., [(window - 1) // 2]], axis=-1)
    about = np.where(np.arange(share.shape[-1]) < window, centre, usual[..., None])
    return usual, np.clip(share, about - _FAR * gaps.sd, about + _FAR * gaps.sd)


def _median(values: Floats, known: Bools) -> Floats:
    """Median over the last axis of what is known, 0 where nothing is."""
    ranked = np.sort(np.where(known, values, np.inf), axis=-1)
    n = np.broadcast_to(known.sum(axis=-1), ranked.shape[:-1])[..., None]
    low = np.take_along_axis(ranked, np.maximum(n - 1, 0) // 2, axis=-1)
    high = np.take_along_axis(ranked, np.minimum(n // 2, ranked.shape[-1] - 1), axis=-1)
    with np.errstate(invalid="ignore"):
        middle = (0.5 * (low + high))[..., 0]
    return np.where((n[..., 0] > 0) & np.isfinite(middle), middle, 0.0)


def draw_steady(gaps: Gaps, steady: Steady, rng: np.random.Generator, n_draws: int) -> Floats:
    """Shares of people at a steady pace as the fitted model has them, [n_draws, P, K]."""
    sd = np.where(gaps.known, gaps.sd, 1.0)
    own = _own_covariance(gaps, steady) / (sd[:, :, None] * sd[:, None, :])
    shared = steady_covariance(gaps, steady) - _own_covariance(gaps, steady)
    scores, lasting = (_normal(cov, rng, n_draws) for cov in (own, shared))
    chance = sd * np.interp(scores, SCORES, steady.shape.at)
    return np.where(gaps.known, steady.centre[:, None] + lasting + chance, 0.0)


def _normal(cov: Floats, rng: np.random.Generator, n_draws: int) -> Floats:
    size, axes = np.linalg.eigh(cov)
    root = axes * np.sqrt(np.maximum(size, 0.0))[:, None, :]
    return np.asarray(np.einsum("pij,dpj->dpi", root, rng.standard_normal((n_draws, *cov.shape[:2]))))


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Log odds over which a change is flagged."""

    faster: float
    slower: float

    def to_dict(self) -> dict[str, float]:
        """For storing as JSON."""
        return {"faster": self.faster, "slower": self.slower}


# False flags in 100 person-years on record: together the 5 that are allowed. A faster pace is dangerous, a slower one
# is not, so most are spent on the former. Chosen here; not from a source.
FALSE_FASTER, FALSE_SLOWER = 4.2, 0.8
BEFORE_RECORDS = Thresholds(4.2, 5.6)  # about what the made-up programmes led to; until a programme has its own
# Odds of 33 to 1: where few have been there for long enough to be flagged at all, the years of the others buy nothing.
_LEAST = 3.5
GAPS_WATCHED = 40  # latest gaps of each person at whose ends flags are counted
_SIMULATED_YEARS, _MOST_DRAWS = 8000.0, 40
_STEPS = 2000  # between which a threshold is sought
_ONE_FLAG_GAPS = 4  # a flag that comes back after no more gaps is the same one


def learn_thresholds(gaps: Gaps, steady: Steady, rng: np.random.Generator) -> Thresholds:
    """Thresholds at which people at a steady pace, drawn from the fitted model, raise the allowed false flags.

    gaps: of the programme's people, with up to GAPS_WATCHED + GAPS_HELD columns. The drawn gaps are as long, as many
    and as well measured as theirs. `BEFORE_RECORDS` where nobody has enough.
    """
    watched = gaps.known[:, :GAPS_WATCHED]
    last = np.where(watched, gaps.ends[:, :GAPS_WATCHED], -np.inf).max(axis=1, initial=-np.inf)
    first_day = np.where(watched, gaps.begins[:, :GAPS_WATCHED], np.inf).min(axis=1, initial=np.inf)
    years = float(np.where(watched.any(axis=1), last - first_day, 0.0).sum()) / 365.25
    if not len(gaps.known) or not windows(gaps.since(0), steady)[0].possible.any():
        return BEFORE_RECORDS
    n_draws = int(np.clip(np.ceil(_SIMULATED_YEARS / years), 1, _MOST_DRAWS))
    share = draw_steady(gaps, steady, rng, n_draws)
    faster, slower = [], []
    for first in range(min(GAPS_WATCHED, share.shape[-1]) - 1, -1, -1):  # from the oldest on
        part = gaps.since(first)
        if not (part.known.sum(axis=1) >= min(WINDOWS) + LEAST_GAPS_BEFORE).any():
            continue
        odds = compare(part, steady, windows(part, steady), share[..., first : first + GAPS_HELD])
        faster.append(np.nan_to_num(odds.faster, nan=-np.inf))
        slower.append(np.nan_to_num(odds.slower, nan=-np.inf))
    hundred = n_draws * years / 100.0
    return Thresholds(
        _threshold(np.array(faster), FALSE_FASTER * hundred), _threshold(np.array(slower), FALSE_SLOWER * hundred)
    )


def _threshold(log_odds: Floats, allowed: float) -> float:
    """Lowest threshold down to which no more than `allowed` flags are raised; log_odds [T, ...] in order of time.

    A flag is new where it stands over the threshold and nothing did in the gaps just before.
    """
    earlier = np.full_like(log_odds, -np.inf)
    for back in range(1, _ONE_FLAG_GAPS + 1):
        earlier[back:] = np.maximum(earlier[back:], log_odds[:-back])
    rises = log_odds > earlier
    begins, ends = np.sort(earlier[rises]), np.sort(log_odds[rises])
    tried = np.linspace(_LEAST, max(float(ends.max(initial=_LEAST)), _LEAST), _STEPS)
    raised = np.searchsorted(begins, tried, side="right") - np.searchsorted(ends, tried, side="right")
    # From the top down: where flags stand for long, few are new under a low threshold.
    too_many = np.flatnonzero(raised > allowed)
    return float(tried[too_many[-1] + 1]) if len(too_many) else _LEAST
