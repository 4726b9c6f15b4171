"""The programme's parameters: what each means, where it starts, and how firmly it is held there.

They are learnt on an unbounded scale (log, logit or as is) and pulled towards `centre` by a normal prior of
`spread` on that scale. Centres and spreads are chosen here, except where a source is named; with some hundred gaps the
data outweigh all of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter. centre is in its own unit, spread on the learning scale."""

    name: str
    scale: str  # "log", "logit" or "plain"
    centre: float
    spread: float
    meaning: str


PARAMETERS = (
    # 0.7 points a day is what the end targets of a 28-day programme tolerate (Montefiore series: after 10 → under 30).
    Parameter("pace_mean", "log", 0.7, 0.5, "programme's mean pace, points a day"),
    Parameter("pace_sd", "log", 0.2, 0.6, "spread of paces between people, points a day"),
    Parameter("pace_walk_sd", "log", 0.03, 0.8, "how far a pace wanders in 28 days, points a day"),
    Parameter("jump_share", "logit", 0.02, 0.7, "chance of a sudden change of pace in a gap"),
    Parameter("jump_sd", "log", 0.25, 0.5, "size of a sudden change, points a day"),
    Parameter("gap_sd", "log", 1.5, 0.7, "shocks in 28 days, points"),
    Parameter("gap_growth", "log", 0.8, 0.5, "power of days by which their variance grows"),
    Parameter("spell_sd", "log", 0.2, 0.6, "by what share a pace runs faster or slower for a while"),
    Parameter("spell_days", "log", 15.0, 0.6, "memory of such a spell, days"),
    Parameter("odd_share", "logit", 0.04, 0.7, "share of gaps or results that are odd"),
    # HbS repeatability of 1 to 3 % at 30 % is laboratory experience, from memory; each laboratory's own is better.
    Parameter("assay_sd", "log", 1.0, 0.25, "repeatability of a measured HbS, points"),
    Parameter("onset", "plain", 0.0, 1.5, "points by which the line misses its start"),
    Parameter("bend", "log", 1.0, 0.15, "power of days by which HbS climbs, 1 along a straight line"),
    Parameter("turnover", "plain", 0.01, 0.02, "by how much faster own cells are lost than donor cells, share a day"),
    Parameter("hb_credit", "plain", 0.0, 0.2, "log share by which each 10 g/L of Hb over the gap slows making"),
    Parameter("hb_habit", "plain", 0.0, 0.2, "log share by which those make more whose Hb rests 10 g/L higher"),
    Parameter("early_unwell", "plain", 0.0, 2.0, "points more in gaps that end early, unwell"),
    Parameter("early_other", "plain", 0.0, 1.0, "points more in gaps that end early for another reason"),
    Parameter("late_missed", "plain", 0.0, 0.15, "points more in gaps that end late or after a missed visit"),
    Parameter("washout_mean", "plain", 0.0, 0.15, "programme's log share left, over the reckoned one, less 1"),
    Parameter("washout_sd", "log", 0.1, 0.5, "spread of that between people"),
    Parameter("washout_error", "log", 1.0, 0.5, "error of a reckoned ratio over its stated one"),
)
BY_NAME = {p.name: p for p in PARAMETERS}
CENTRES: dict[str, float] = {p.name: p.centre for p in PARAMETERS}


def to_plain(name: str, value: Any) -> Any:
    """A parameter on its learning scale, put into its own unit."""
    scale = BY_NAME[name].scale
    if scale == "log":
        return np.exp(value)
    return 1.0 / (1.0 + np.exp(-value)) if scale == "logit" else value


def to_learning(name: str, value: float) -> float:
    """A parameter in its own unit, put on its learning scale; 0 in a log or logit scale becomes very small."""
    scale = BY_NAME[name].scale
    if scale == "log":
        return float(np.log(max(value, 1e-9)))
    return float(np.log(max(value, 1e-9) / max(1.0 - value, 1e-9))) if scale == "logit" else float(value)
