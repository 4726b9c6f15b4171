"""The state-space of one person, run for everybody at once.

State of a person: true HbS (points), pace (points a day at the reference), washout (how the log share of HbS left
by an exchange differs from the reckoned one, as a fraction) and spell (by what share the pace runs faster just now; it
fades by itself, an Ornstein-Uhlenbeck process). A gap raises HbS by the form; an exchange multiplies it by
ratio^(1 + washout); measured results pull all four. So a reckoned after-value shares its before-value's error, a
measured one adds to it, and a pace is told from assay noise by the whole series, not by independent rows.

Each gap may be usual, odd (noise ODD_FACTOR times larger: illness, a wrong tube) or one in which the pace jumped.
Which it was is often seen only at the next visit, so three normal parts are carried, one for each kind of the
latest gap, each fed from all three of the gap before (generalised pseudo-Bayes of order two: Bar-Shalom Y, Li XR,
Kirubarajan T, Estimation with Applications to Tracking and Navigation, 2001, section 11.6).

Arrays: S parameter sets, K parts, R kinds of the coming gap, N people.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .forms import (
    DONOR_REFERENCE_PCT,
    OWN_SHARE_REFERENCE,
    REFERENCE_HB_G_L,
    REFERENCE_REST_G_L,
    rise,
)
from .haemoglobin import HB_DAYS
from .panel import Panel
from .parameters import Values

Floats = NDArray[np.float64]

HBS, PACE, WASHOUT, SPELL = 0, 1, 2, 3
USUAL, ODD, JUMP = 0, 1, 2
ODD_FACTOR = 3.0
USUAL_GAP_DAYS = 28.0
_ONSET_DAYS = 14.0
_LEAST_DAYS = 0.5
_WIDE_HBS = (25.0, 25.0)  # mean and SD of HbS when nothing is known of it; chosen here
_FURTHEST_LOG_SPEED = 1.5  # Hb is not taken to slow or hasten the climb further than this; chosen here
_HUBER = 2.5
_LOG_2PI = float(np.log(2.0 * np.pi))


class State(NamedTuple):
    """Normal parts: mean [4, S, K, N], cov [4, 4, S, K, N], log_weight [S, K, N]."""

    mean: Floats
    cov: Floats
    log_weight: Floats

    def first(self, n: int) -> "State":
        return State(self.mean[..., :n], self.cov[..., :n], self.log_weight[..., :n])


class Gap(NamedTuple):
    """What is known of one gap of each person before its end, arrays that broadcast with [S, K, N]."""

    days: Any
    untransfused: Any
    hb_after: Any
    hb_after_sd: Any
    hb_rest: Any
    shift: Any
    topup_left: Any
    topup_at: Any


class Passed(NamedTuple):
    """HbS at the end of a gap: mean, slopes by HbS after, pace, spell and a shift of the climb; and the gap's chance.

    climb: what the form was given, points. noise: variance of HbS by the chance of one usual gap, points².
    spell_kept: share of the spell that lasts to the end. spell_cov: covariance of that chance with the spell at the
    end. spell_noise: variance of the spell that is new.
    """

    hbs: Floats
    by_after: Floats
    by_pace: Floats
    by_spell: Floats
    by_climb: Floats
    climb: Floats
    noise: Floats
    spell_kept: Floats
    spell_cov: Floats
    spell_noise: Floats


class Kinds(NamedTuple):
    """Covariance before a result is taken in: base [4, 4, S, K, N], and what each kind of gap adds to it.

    hbs, both, pace [S, K, R, N] are added to the variance of HbS, its covariance with the pace, and the pace's
    variance; all else is alike for all kinds. row: covariances of HbS with everything, [4, S, K, R, N].
    """

    base: Floats
    hbs: Any
    both: Any
    pace: Any

    def row(self) -> Floats:
        kinds = np.broadcast_shapes(np.shape(self.hbs), (*self.base.shape[2:4], 3, self.base.shape[-1]))
        row = np.empty((4, *kinds))
        row[...] = self.base[HBS][:, :, :, None]
        row[HBS] += self.hbs
        row[PACE] += self.both
        return row


class Innovations(NamedTuple):
    """What was expected of each measured before-value that ended a usable gap, arrays [M]."""

    row: NDArray[np.int64]
    loc: Floats
    scale: Floats
    n_gaps: Floats
    days: Floats


@dataclass(frozen=True, slots=True)
class Run:
    """State after each person's last session, columns as in the panel, and what was met on the way."""

    state: State
    log_likelihood: Floats  # [S, N]
    innovations: Innovations | None


def pass_gap(form: str, values: Values, hbs: Any, pace: Any, spell: Any, gap: Gap) -> Passed:
    """Mean HbS at the end of a gap with its slopes and chance; a top-up on the way dilutes what is there.

    The spell u fades with memory τ: ∫u over d days is u·τ(1 − a) with a = e^(−d/τ), variance s²τ²(2d/τ − 3 + 4a − a²),
    covariance with the spell at the end s²τ(1 − a)² (Ornstein-Uhlenbeck process, textbook).
    """
    memory, days = values["spell_days"], gap.days
    kept = np.exp(-days / memory)
    span = memory * (1.0 - kept)
    speed, by_hb = _speed(values, gap)
    bent = USUAL_GAP_DAYS * (days / USUAL_GAP_DAYS) ** values["bend"]
    # Own cells are made at pace + lost, and lost as in the form; only the making has its spells and its Hb.
    lost = values["turnover"] * OWN_SHARE_REFERENCE * DONOR_REFERENCE_PCT
    making, per_pace = pace + lost, (bent + spell * span) * speed
    made = making * per_pace
    climb = values["onset"] * np.minimum(days / _ONSET_DAYS, 1.0) + made - lost * days + gap.shift
    risen, by_after, by_climb = _rise_with_topup(form, values, hbs, climb, gap)
    by_spell_day = by_climb * making * speed
    spell_var = values["spell_sd"] ** 2
    integral = memory**2 * np.maximum(2.0 * days / memory - 3.0 + 4.0 * kept - kept**2, 0.0)
    shocks = values["gap_sd"] ** 2 * (np.maximum(days, _LEAST_DAYS) / USUAL_GAP_DAYS) ** values["gap_growth"]
    unmeasured = (made * by_hb * gap.hb_after_sd) ** 2
    return Passed(
        hbs=risen,
        by_after=by_after,
        by_pace=by_climb * per_pace,
        by_spell=by_spell_day * span,
        by_climb=by_climb,
        climb=climb,
        noise=by_spell_day**2 * spell_var * integral + by_climb**2 * (shocks + unmeasured),
        spell_kept=kept,
        spell_cov=by_spell_day * spell_var * memory * (1.0 - kept) ** 2,
        spell_noise=spell_var * (1.0 - kept**2),
    )


def _speed(values: Values, gap: Gap) -> tuple[Any, Any]:
    """By what factor Hb changes how much is made over the gap, and the slope of its log by Hb after."""
    days = np.maximum(gap.days, _LEAST_DAYS)
    share = HB_DAYS / days * -np.expm1(-days / HB_DAYS)  # of Hb after, in the mean Hb of the gap
    over = gap.hb_rest + share * (gap.hb_after - gap.hb_rest) - REFERENCE_HB_G_L
    log_speed = (values["hb_habit"] * (gap.hb_rest - REFERENCE_REST_G_L) - values["hb_credit"] * over) / 10.0
    return np.exp(np.clip(log_speed, -_FURTHEST_LOG_SPEED, _FURTHEST_LOG_SPEED)), values["hb_credit"] * share / 10.0


def _rise_with_topup(form: str, values: Values, hbs: Any, climb: Any, gap: Gap) -> tuple[Floats, Floats, Floats]:
    """HbS at the end of the gap, and its slopes by HbS after and by climb."""
    given, turnover = {"untransfused_pct": gap.untransfused}, values["turnover"] * gap.days
    if not np.any(np.asarray(gap.topup_left) < 1.0):
        one = rise(form, after_pct=hbs, climb=climb, turnover=turnover, **given)
        return hbs + one.points, 1.0 + one.by_after, one.by_climb
    left, at = gap.topup_left, gap.topup_at
    one = rise(form, after_pct=hbs, climb=climb * at, turnover=turnover * at, **given)
    diluted = (hbs + one.points) * left
    two = rise(form, after_pct=diluted, climb=climb * (1.0 - at), turnover=turnover * (1.0 - at), **given)
    onward = (1.0 + two.by_after) * left
    by_climb = onward * one.by_climb * at + two.by_climb * (1.0 - at)
    return diluted + two.points, onward * (1.0 + one.by_after), by_climb


def begin(values: Values, n_people: int) -> State:
    """Everybody before the first session: HbS unknown, pace and washout as in the programme. values: [S, 1, 1]."""
    sets = np.shape(values["pace_mean"])[0]
    mean = np.zeros((4, sets, 3, n_people))
    cov = np.zeros((4, 4, sets, 3, n_people))
    mean[HBS], cov[HBS, HBS] = _WIDE_HBS[0], _WIDE_HBS[1] ** 2
    mean[PACE], cov[PACE, PACE] = values["pace_mean"], values["pace_sd"] ** 2
    mean[WASHOUT], cov[WASHOUT, WASHOUT] = values["washout_mean"], values["washout_sd"] ** 2
    cov[SPELL, SPELL] = values["spell_sd"] ** 2
    return State(mean, cov, np.full((sets, 3, n_people), -np.log(3.0)))


def run(panel: Panel, form: str, values: Values, *, keep: bool = False) -> Run:
    """Run everybody through all their sessions. values: arrays [S, 1, 1] by parameter name.

    keep: also return the innovations (of the first parameter set).
    """
    n_people = len(panel.order)
    state = begin(values, n_people)
    total = np.zeros((state.mean.shape[1], n_people))
    n_gaps = np.zeros(n_people)
    kept: list[Innovations] = []
    for turn, n in enumerate(panel.active):
        now = state.first(n)
        if turn == 0:
            now, gained = _observe_before(now, panel.before[0], values, Kinds(now.cov, 0.0, 0.0, 0.0), _NO_JUMP)
        else:
            now, gained, met = _gap_turn(panel, turn, int(n), form, values, now, n_gaps[:n] if keep else None)
            kept += [] if met is None else [met]
            n_gaps[:n] += panel.usable[turn, :n] & ~np.isnan(panel.before[turn, :n])
        now, more = _exchange(now, panel, turn, int(n), values)
        total[:, :n] += gained + more
        if n == n_people:
            state = now
        else:
            state.mean[..., :n], state.cov[..., :n], state.log_weight[..., :n] = now
    return Run(state, total, _join(kept) if keep else None)


_NO_JUMP = np.array([1.0, 0.0, 0.0])[:, None]  # [R, 1]
_KIND_NOISE = np.array([1.0, ODD_FACTOR**2, 1.0])[:, None]  # factor on the variance of a gap's chance and of the assay


def _gap_turn(
    panel: Panel, turn: int, n: int, form: str, values: Values, now: State, n_gaps: Floats | None
) -> tuple[State, Floats, Innovations | None]:
    """One gap and the result at its end. n_gaps: known so far, where the innovations are asked for."""
    days, reason, usable = panel.days[turn, :n], panel.reason[turn, :n], panel.usable[turn, :n]
    shift = sum(
        np.where(reason == code, values[name], 0.0)
        for code, name in ((1, "early_unwell"), (2, "early_other"), (3, "late_missed"))
    )
    gap = Gap(
        days=days,
        untransfused=panel.untransfused[turn, :n],
        hb_after=panel.hb_after[turn - 1, :n],
        hb_after_sd=panel.hb_after_sd[turn - 1, :n],
        hb_rest=panel.hb_rest[turn - 1, :n],
        shift=shift,
        topup_left=panel.topup_left[turn, :n],
        topup_at=panel.topup_at[turn, :n],
    )
    passed = pass_gap(form, values, now.mean[HBS], now.mean[PACE], now.mean[SPELL], gap)
    mean = now.mean.copy()
    mean[HBS] = np.where(usable, passed.hbs, _WIDE_HBS[0])
    mean[SPELL] *= passed.spell_kept
    kinds = _gap_cov(now.cov, passed, values, days, usable)
    expected = State(mean, now.cov, now.log_weight)
    met = None if n_gaps is None else _meet(expected, kinds, passed.by_climb * shift, values, panel, turn, n, n_gaps)
    odds = np.stack(
        np.broadcast_arrays(
            1.0 - values["odd_share"] - values["jump_share"], values["odd_share"], values["jump_share"]
        ),
        axis=-2,
    )
    odds = np.where(usable, odds, _NO_JUMP)
    now, gained = _observe_before(expected, panel.before[turn, :n], values, kinds, odds)
    return now, np.where(usable, gained, 0.0), met


def _gap_cov(cov: Floats, passed: Passed, values: Values, days: Floats, usable: Any) -> Kinds:
    """Covariance at the end of the gap for each kind of gap."""
    row = passed.by_after * cov[HBS] + passed.by_pace * cov[PACE] + passed.by_spell * cov[SPELL]
    base = cov.copy()
    base[SPELL] *= passed.spell_kept
    base[:, SPELL] *= passed.spell_kept
    base[HBS, HBS] = passed.by_after * row[HBS] + passed.by_pace * row[PACE] + passed.by_spell * row[SPELL]
    row[SPELL] *= passed.spell_kept
    row[SPELL] += passed.spell_cov
    base[HBS, 1:], base[1:, HBS] = row[1:], row[1:]
    base[SPELL, SPELL] += passed.spell_noise
    base[HBS, :] = np.where(usable, base[HBS, :], 0.0)
    base[:, HBS] = base[HBS, :]
    base[HBS, HBS] = np.where(usable, base[HBS, HBS], _WIDE_HBS[1] ** 2)
    walk = values["pace_walk_sd"] ** 2 * days / USUAL_GAP_DAYS
    moved = np.stack(np.broadcast_arrays(walk, walk, walk + values["jump_sd"] ** 2), axis=-2)
    by_pace = np.where(usable, passed.by_pace, 0.0)[:, :, None]
    noise = np.where(usable, passed.noise, 0.0)[:, :, None] * _KIND_NOISE
    return Kinds(base, by_pace**2 * moved + noise, by_pace * moved, moved)


def _observe_before(state: State, measured: Floats, values: Values, kinds: Kinds, odds: Floats) -> tuple[State, Floats]:
    """Take a measured before-value in; returns the parts by kind of gap and the log likelihood gained [S, N]."""
    row = kinds.row()
    spread = row[HBS] + _KIND_NOISE * values["assay_sd"][..., None] ** 2
    seen = ~np.isnan(measured)
    off = np.where(seen, measured - state.mean[0], 0.0)[:, :, None]
    joint = state.log_weight[:, :, None] + np.log(np.maximum(odds, 1e-30))
    joint = joint - np.where(seen, 0.5 * (_LOG_2PI + np.log(spread) + off**2 / spread), 0.0)
    top = joint.max(axis=(1, 2), keepdims=True)
    gained = top[:, 0, 0] + np.log(np.exp(joint - top).sum(axis=(1, 2)))
    joint -= gained[:, None, None]
    gain = row * np.where(seen, 1.0 / spread, 0.0)
    mean = state.mean[:, :, :, None] + gain * off
    return _collapse(mean, kinds, gain, row, joint), gained


def _collapse(mean: Floats, kinds: Kinds, gain: Floats, row: Floats, joint: Floats) -> State:
    """Merge the parts of the gap before, for each kind of the latest gap, keeping mean and covariance.

    The covariance of a part is that of its kind less gain·row. One entry after the other, so that little is held.
    """
    top = joint.max(axis=1, keepdims=True)
    weight = np.exp(joint - top)
    share = weight.sum(axis=1, keepdims=True)
    weight /= share
    merged = np.einsum("skrn,iskrn->isrn", weight, mean)
    apart = mean - merged[:, :, None]
    spread = np.empty((4, *merged.shape))
    added = {(HBS, HBS): kinds.hbs, (HBS, PACE): kinds.both, (PACE, PACE): kinds.pace}
    for i in range(4):
        for j in range(i, 4):
            part = apart[i] * apart[j] - gain[i] * row[j]
            part += kinds.base[i, j][:, :, None]
            if (i, j) in added:
                part += added[i, j]
            spread[i, j] = spread[j, i] = np.einsum("skrn,skrn->srn", weight, part)
    return State(merged, spread, (top + np.log(share))[:, 0])


def _exchange(now: State, panel: Panel, turn: int, n: int, values: Values) -> tuple[State, Floats]:
    """Carry the parts through the exchange and take a measured after-value in."""
    log_ratio, log_sd = panel.log_ratio[turn, :n], panel.log_ratio_sd[turn, :n]
    reckoned = ~np.isnan(log_ratio)
    log_ratio = np.where(reckoned, log_ratio, 0.0)
    hbs = np.maximum(now.mean[0], 1.0)
    left = np.exp((1.0 + now.mean[2]) * log_ratio)
    by_washout = hbs * left * log_ratio
    row = left * now.cov[0] + by_washout * now.cov[2]
    error = (hbs * left * log_sd * values["washout_error"]) ** 2
    mean, cov = now.mean.copy(), now.cov.copy()
    mean[0] = np.where(reckoned, hbs * left, panel.usual_after[turn, :n])
    row0 = np.where(reckoned, left * row[0] + by_washout * row[2] + error, values["after_sd"] ** 2)
    cov[0, 1:] = cov[1:, 0] = np.where(reckoned, row[1:], 0.0)
    cov[0, 0] = row0
    return _observe_after(State(mean, cov, now.log_weight), panel.after[turn, :n], values)


def _observe_after(state: State, measured: Floats, values: Values) -> tuple[State, Floats]:
    """Take a measured after-value in; one far off counts for less (Huber's weights), for tubes get mixed up."""
    seen = ~np.isnan(measured)
    spread = state.cov[0, 0] + values["assay_sd"] ** 2
    off = np.where(seen, measured - state.mean[0], 0.0)
    far = np.maximum(np.abs(off) / np.sqrt(spread) / _HUBER, 1.0)
    loss = off**2 / spread * (2.0 / far - 1.0 / far**2)
    joint = state.log_weight - np.where(seen, 0.5 * (_LOG_2PI + np.log(spread) + loss), 0.0)
    top = joint.max(axis=1, keepdims=True)
    gained = top[:, 0] + np.log(np.exp(joint - top).sum(axis=1))
    gain = np.where(seen, state.cov[0] / (spread * far), 0.0)
    mean = state.mean + gain * off
    cov = state.cov - gain[:, None] * state.cov[0][None]
    return State(mean, cov, joint - gained[:, None]), gained


def _meet(
    expected: State, kinds: Kinds, shift: Any, values: Values, panel: Panel, turn: int, n: int, n_gaps: Floats
) -> Innovations:
    """What a forecast that does not know the visit's reason would have said, for the first parameter set."""
    weight = np.exp(expected.log_weight[0])
    hbs = expected.mean[0, 0] - np.broadcast_to(shift, expected.mean[0].shape)[0]
    loc = (weight * hbs).sum(axis=0)
    spread = kinds.base[HBS, HBS, 0] + kinds.hbs[0, :, USUAL] + values["assay_sd"][0] ** 2
    scale = np.sqrt((weight * (spread + (hbs - loc) ** 2)).sum(axis=0))
    at = np.flatnonzero(panel.usable[turn, :n] & ~np.isnan(panel.before[turn, :n]))
    return Innovations(panel.row[turn, at], loc[at], scale[at], n_gaps[at].copy(), panel.days[turn, at])


def _join(kept: list[Innovations]) -> Innovations:
    if not kept:
        empty = np.zeros(0)
        return Innovations(np.zeros(0, dtype=np.int64), empty, empty, empty, empty)
    return Innovations(*(np.concatenate(parts) for parts in zip(*kept, strict=True)))
