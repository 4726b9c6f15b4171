"""Sessions laid out for the filter: one row for each turn, one column for each person, longest histories first."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..columns import SessionColumns
from .haemoglobin import haemoglobin_after, haemoglobin_at_rest

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DEFAULT_UNTRANSFUSED_PCT = 90.0
_DEFAULT_VOLUME_ML = 4500.0
_DEFAULT_HB_G_L = 90.0
_DEFAULT_RATIO_SD = 0.05
_LEAST_RATIO, _LARGEST_RATIO = 0.02, 0.995


@dataclass(frozen=True, slots=True)
class Panel:
    """Arrays [T, N]: turn t of person order[i] in column i; only the first active[t] columns hold turn t.

    days: since the session before (nan at the first). before, after: measured, nan = missing. log_ratio: natural
    log of the reckoned ratio, nan = none, with log_ratio_sd. usual_after: this person's earlier HbS after sessions.
    hb_after, hb_after_sd, hb_rest: see haemoglobin.py. untransfused: filled. reason. usable: the gap that ends here
    says something about the pace. topup_left: share of HbS left by a top-up in the gap (1 = none), topup_at: share of
    the gap before it. row: row in the columns.
    """

    order: Ints
    active: Ints
    days: Floats
    before: Floats
    after: Floats
    log_ratio: Floats
    log_ratio_sd: Floats
    usual_after: Floats
    hb_after: Floats
    hb_after_sd: Floats
    hb_rest: Floats
    untransfused: Floats
    reason: Ints
    usable: Bools
    topup_left: Floats
    topup_at: Floats
    row: Ints


def lay_out(columns: SessionColumns, values: Mapping[str, float]) -> Panel:
    """The panel of all people who have at least one session. values: what stands in for missing figures, by name."""
    sequence, starts = columns.sequence(), columns.starts()
    counts = np.diff(starts)
    order = np.argsort(-counts, kind="stable")
    order = order[: int(np.count_nonzero(counts))]
    turns = int(counts.max(initial=0))
    place = np.full(columns.n_people, -1, dtype=np.int64)
    place[order] = np.arange(len(order))
    at = (sequence, place[columns.person])

    def spread(values: NDArray[np.generic], missing: object) -> NDArray[np.generic]:
        out = np.full((turns, len(order)), missing, dtype=values.dtype)
        out[at] = values
        return out

    derived = _derive(columns, sequence, values)
    active = np.array([np.count_nonzero(counts > t) for t in range(turns)], dtype=np.int64)
    missing = {"reason": 0, "usable": False, "row": -1, "topup_left": 1.0, "topup_at": 1.0}
    fields = {name: spread(values, missing.get(name, np.nan)) for name, values in derived.items()}
    return Panel(order=order, active=active, **fields)  # type: ignore[arg-type]


def _derive(columns: SessionColumns, sequence: Ints, values: Mapping[str, float]) -> dict[str, NDArray[np.generic]]:
    days = np.where(sequence > 0, columns.day - np.roll(columns.day, 1), 0).astype(float)
    days[sequence == 0] = np.nan
    ratio = np.clip(columns.hbs_ratio, _LEAST_RATIO, _LARGEST_RATIO)
    sd = np.where(np.isnan(columns.hbs_ratio_sd), _DEFAULT_RATIO_SD * ratio, columns.hbs_ratio_sd)
    left, at = _topups(columns, days)
    hb_after, hb_after_sd = haemoglobin_after(columns, values)
    return {
        "days": days,
        "before": columns.hbs_before_pct,
        "after": columns.hbs_after_pct,
        "log_ratio": np.log(ratio),
        "log_ratio_sd": np.maximum(sd, 1e-4) / ratio,
        "usual_after": _usual_after(columns, values),
        "hb_after": hb_after,
        "hb_after_sd": hb_after_sd,
        "hb_rest": haemoglobin_at_rest(columns, hb_after, values),
        "untransfused": np.nan_to_num(columns.untransfused_pct, nan=DEFAULT_UNTRANSFUSED_PCT),
        "reason": columns.reason,
        "usable": columns.gap_known & (sequence > 0),
        "topup_left": left,
        "topup_at": at,
        "row": np.arange(len(columns), dtype=np.int64),
    }


def _usual_after(columns: SessionColumns, values: Mapping[str, float]) -> Floats:
    """Mean HbS after the same person's earlier sessions, the programme's counted as one of them, [n]."""
    known = ~np.isnan(columns.hbs_after_pct)
    own = np.where(known, columns.hbs_after_pct, 0.0)
    total, count = columns.so_far(own) - own, columns.so_far(known.astype(float)) - known
    return np.asarray((total + values["after_mean"]) / (count + 1.0))


def _topups(columns: SessionColumns, days: Floats) -> tuple[Floats, Floats]:
    """Share of HbS left when donor Hb is added to what circulates, M/(M + given), and when, as share of the gap."""
    volume = np.nan_to_num(columns.blood_volume_ml, nan=_DEFAULT_VOLUME_ML)
    hb = np.nan_to_num(columns.hb_before_g_l, nan=_DEFAULT_HB_G_L)
    # Hb before this session was measured with the top-up in it.
    mass_after = hb * volume / 1000.0
    left = 1.0 - np.clip(np.nan_to_num(columns.topup_hb_g) / mass_after, 0.0, 0.8)
    started = columns.day - np.nan_to_num(days)
    at = np.clip((columns.topup_day - started) / np.maximum(np.nan_to_num(days), 1.0), 0.0, 1.0)
    # Without a top-up the whole gap lies before it, so nobody's figures depend on who else had one.
    return left, np.where(left < 1.0, np.nan_to_num(at, nan=0.5), 1.0)
