"""One session tried out by hand: what it does, how sure that is, and which limits it would pass.

Belongs to no one and saves nothing. The arithmetic is `sessions.numeric.exchange`; the limits are those of
`programme.planning.numeric.limits`, judged at the unfavourable tenth of what is reckoned.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.limits import Limits, hb_after_warn, limits_for
from sessions.numeric.exchange import SessionOutcome, Start, Step, run_steps
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD, outcome_spread
from sessions.numeric.volume import blood_volume_ml, volume_rule

TENTH = 1.2815515655446004
"""Distance of a tenth (p10 or p90) from the middle of a normal spread, in standard deviations."""


@dataclass(frozen=True, slots=True)
class Figures:
    """What a session starts from. blood_volume_ml: nan to take the rule. [cm, kg, mL, g/L, %]"""

    female: bool
    height_cm: float
    weight_kg: float
    hb_g_l: float
    hbs_pct: float
    blood_volume_ml: float = math.nan


@dataclass(frozen=True, slots=True)
class Spread:
    """Eight in ten of what is reckoned lie from `low` to `high`; `middle` is the central figure."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Moment:
    """Where one step leaves the person, with eight in ten."""

    hb_g_l: Spread
    hbs_pct: Spread
    balance_ml: float
    balance_without_saline_ml: float
    balance_ml_per_kg: float


@dataclass(frozen=True, slots=True)
class Sentence:
    """A limit met: severity 'stop' or 'check', and the sentence."""

    severity: str
    words: str


@dataclass(frozen=True, slots=True)
class Tried:
    """A session worked out."""

    outcome: SessionOutcome
    moments: tuple[Moment, ...]
    volume_words: str
    saline_ml: float
    red_cells_ml: float
    blood_out_ml: float
    lowest_after_step: int | None  # None: the start is the lowest
    sentences: tuple[Sentence, ...]


def moments(
    *,
    start: Start,
    steps: Sequence[Step],
    unit_hb_g: float,
    hb_sd_g_l: float,
    hbs_sd_pct: float,
    mixing: float = 1.0,
    volume_rel_sd: float = BLOOD_VOLUME_REL_SD,
) -> tuple[Moment, ...]:
    """Return where each step leaves the person, with eight in ten by propagation.

    start, steps : as for `run_steps`. unit_hb_g : haemoglobin of a unit. [g] hb_sd_g_l, hbs_sd_pct : standard deviation
    of Hb and HbS before, of a result or of a forecast. [g/L, points] mixing : effective over formula blood volume, with
    its relative standard deviation volume_rel_sd.

    Sessions cut off after each step are worked out together, so the spread is that of each moment. Raises ValueError as
    `run_steps` does.
    """
    outcome = run_steps(start, steps, mixing=mixing)
    n = len(steps)
    so_far = np.tri(n)
    spread = outcome_spread(
        blood_volume_ml=start.blood_volume_ml,
        hb_g_l=start.hb_g_l,
        hbs_pct=start.hbs_pct,
        in_ml=so_far * [step.in_ml for step in steps],
        out_ml=so_far * [step.out_ml for step in steps],
        cells_hb_g_l=np.broadcast_to([step.hb_g_l for step in steps], (n, n)),
        mixing=mixing,
        blood_volume_rel_sd=volume_rel_sd,
        unit_hb_g=unit_hb_g,
        hb_sd_g_l=hb_sd_g_l,
        hbs_sd_pct=hbs_sd_pct,
    )
    return tuple(
        Moment(
            hb_g_l=_spread(state.hb_g_l, hb_sd, highest=math.inf),
            hbs_pct=_spread(state.hbs_pct, hbs_sd, highest=100.0),
            balance_ml=state.balance_ml,
            balance_without_saline_ml=state.balance_without_saline_ml,
            balance_ml_per_kg=state.balance_ml / start.weight_kg,
        )
        for state, hb_sd, hbs_sd in zip(outcome.steps, spread.hb_end, spread.hbs, strict=True)
    )


def try_session(figures: Figures, steps: Sequence[Step], settings: Mapping[str, float]) -> Tried:
    """Work one session out for anyone's figures; adult rules, for no age is asked.

    Raises ValueError as `run_steps` does. Limits are those of the site for this weight, without anyone's own values.
    """
    volume, volume_words = volume_in_force(figures)
    start = Start(volume, figures.hb_g_l, figures.hbs_pct, weight_kg=figures.weight_kg)
    outcome = run_steps(
        start, steps, early_loss=settings["early_loss_pct"] / 100.0, iron_mg_per_g=settings["iron_mg_per_g_hb"]
    )
    after = moments(
        start=start,
        steps=steps,
        unit_hb_g=settings["unit_hb_g"],
        hb_sd_g_l=settings["hb_assay_sd_g_l"],
        hbs_sd_pct=settings["hbs_assay_sd_pct"],
    )
    hb = [figures.hb_g_l] + [moment.hb_g_l.middle for moment in after]
    lowest = int(np.argmin(hb))
    return Tried(
        outcome=outcome,
        moments=after,
        volume_words=volume_words,
        saline_ml=sum(step.in_ml for step in steps if step.fluid == "saline"),
        red_cells_ml=sum(step.in_ml for step in steps if step.fluid == "red_cells"),
        blood_out_ml=sum(step.out_ml for step in steps),
        lowest_after_step=lowest or None,
        sentences=limit_sentences(figures, steps, outcome, after, settings),
    )


def volume_in_force(figures: Figures) -> tuple[float, str]:
    """Return the blood volume to use [mL], and in words where it comes from."""
    if not math.isnan(figures.blood_volume_ml):
        return figures.blood_volume_ml, "as typed"
    female, height, weight = figures.female, figures.height_cm, figures.weight_kg
    volume = blood_volume_ml(female=female, height_cm=height, weight_kg=weight, age_years=math.nan)
    return float(volume), volume_rule(female=female, height_cm=height, weight_kg=weight, age_years=math.nan)


def limit_sentences(
    figures: Figures,
    steps: Sequence[Step],
    outcome: SessionOutcome,
    after: Sequence[Moment],
    settings: Mapping[str, float],
) -> tuple[Sentence, ...]:
    """Return a sentence for every limit that this session passes or may pass, stops first."""
    limits = limits_for(weight_kg=figures.weight_kg, settings=settings)
    found = [
        *_hb_low(figures, after, limits, settings),
        *_hb_high(figures, after, limits),
        *_volumes(figures, steps, outcome, limits),
    ]
    return tuple(sorted(found, key=lambda sentence: sentence.severity != "stop"))


def _hb_low(figures: Figures, after: Sequence[Moment], limits: Limits, settings: Mapping[str, float]) -> list[Sentence]:
    stop, warn = float(limits.hb_floor_stop_g_l[0]), float(limits.hb_floor_warn_g_l[0])
    if figures.hb_g_l < float(limits.low_start_hb_g_l[0]):
        low = f"Hb starts at {figures.hb_g_l:.0f}, under {limits.low_start_hb_g_l[0]:.0f}: a small top-up comes first."
        return [Sentence("stop", low)]
    number, moment = min(enumerate(after, start=1), key=lambda pair: pair[1].hb_g_l.low)
    lowest = moment.hb_g_l
    if lowest.low >= warn:
        return []
    severity, limit = ("stop", stop) if lowest.low < stop else ("check", warn)
    may = (
        f"takes Hb to {lowest.middle:.0f}"
        if lowest.middle < limit
        else (f"leaves Hb at {lowest.middle:.0f}, and one time in ten at {lowest.low:.0f} or less")
    )
    flagged = settings["hb_floor_flagged_g_l"]
    return [
        Sentence(
            severity,
            f"Step {number} {may}, under the {limit:.0f} at which this unit {_acts(severity)}. With a cerebrovascular, "
            f"cardiac or lung-pressure flag the floor is {flagged:.0f}, and saline would not go first.",
        )
    ]


def _hb_high(figures: Figures, after: Sequence[Moment], limits: Limits) -> list[Sentence]:
    found = []
    number, moment = max(enumerate(after, start=1), key=lambda pair: pair[1].hb_g_l.high)
    peak = moment.hb_g_l
    warn = float(hb_after_warn(limits, after[-1].hbs_pct.middle)[0])
    stop = float(limits.hb_after_stop_g_l[0])
    if peak.high > warn:
        severity, limit = ("stop", stop) if peak.high > stop else ("check", warn)
        may = (
            f"takes Hb to {peak.middle:.0f}"
            if peak.middle > limit
            else (f"leaves Hb at {peak.middle:.0f}, and one time in ten at {peak.high:.0f} or more")
        )
        words = f"Step {number} {may}, over the {limit:.0f} at which this unit {_acts(severity)}."
        found.append(Sentence(severity, words))
    rise, allowed = peak.middle - figures.hb_g_l, float(limits.rise_stop_g_l[0])
    if rise > allowed:
        found.append(Sentence("stop", f"Hb rises by {rise:.0f} in the day; {allowed:.0f} is allowed."))
    return found


def _volumes(figures: Figures, steps: Sequence[Step], outcome: SessionOutcome, limits: Limits) -> list[Sentence]:
    saline = sum(step.in_ml for step in steps if step.fluid == "saline")
    pairs = (
        ("The deepest deficit is", outcome.deepest_deficit_ml, limits.draw_stop_ml),
        ("The largest excess is", outcome.largest_excess_ml, limits.balance_stop_ml),
        ("Saline comes to", saline, limits.saline_stop_ml),
        ("Blood out comes to", sum(step.out_ml for step in steps), limits.blood_out_stop_ml),
    )
    kg = figures.weight_kg
    return [
        Sentence(
            "stop",
            f"{words} {reached:,.0f} mL ({reached / kg:.1f} mL/kg); "
            f"{limit[0]:,.0f} mL ({limit[0] / kg:.1f} mL/kg) is allowed.",
        )
        for words, reached, limit in pairs
        if reached > limit[0]
    ]


def _acts(severity: str) -> str:
    return "stops" if severity == "stop" else "warns"


def _spread(middle: float, sd: float, *, highest: float) -> Spread:
    return Spread(middle, max(middle - TENTH * float(sd), 0.0), min(middle + TENTH * float(sd), highest))


@dataclass(frozen=True, slots=True)
class Curve:
    """Hb and HbS between the ends of the steps, for the picture. `moved_ml` runs over the larger of in and out."""

    moved_ml: NDArray[np.float64]
    hb_g_l: NDArray[np.float64]
    hbs_pct: NDArray[np.float64]
    step_end_ml: NDArray[np.float64]


def curve(figures: Figures, steps: Sequence[Step], *, volume_ml: float, slices: int = 16) -> Curve:
    """Follow Hb and HbS through the steps, each cut into `slices` equal parts, which changes nothing at its end."""
    parts = [
        replace(step, in_ml=step.in_ml / slices, out_ml=step.out_ml / slices) for step in steps for _ in range(slices)
    ]
    outcome = run_steps(Start(volume_ml, figures.hb_g_l, figures.hbs_pct), parts)
    moved = np.cumsum([0.0, *(max(part.in_ml, part.out_ml) for part in parts)])
    return Curve(
        moved_ml=moved,
        hb_g_l=np.array([figures.hb_g_l, *(state.hb_g_l for state in outcome.steps)]),
        hbs_pct=np.array([figures.hbs_pct, *(state.hbs_pct for state in outcome.steps)]),
        step_end_ml=moved[slices::slices],
    )
