"""Where the person would stand if the session ended at this moment, with how sure that is."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sessions.numeric.exchange import Start, Step, run_steps
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD, outcome_spread

TENTH = 1.2816
"""Standard deviations from the middle to the tenth and ninetieth centile of a normal spread."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A reckoned figure and its eight-in-ten range."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class EndedNow:
    """Hb once the volume has settled [g/L], HbS [%], and Hb of the blood at this moment [g/L]."""

    hb: Figure
    hbs: Figure
    hb_at_once_g_l: float


def ended_now(
    start: Start,
    steps: Sequence[Step],
    *,
    mixing: float = 1.0,
    hb_sd_g_l: float,
    hbs_sd_pct: float,
    blood_volume_rel_sd: float = BLOOD_VOLUME_REL_SD,
) -> EndedNow | None:
    """Return what the session has reached with the steps that were really done; None where nothing can be said.

    start: the person before the session. mixing: effective over formula blood volume [1]. The spreads are those of
    Hb and HbS before and, relative, of the effective volume; those of volumes and units stand in `uncertainty`.
    Nothing can be said where more blood was entered as drawn than there is, or red cells without haemoglobin.
    """
    if not steps:
        steps = [Step("saline", 0.0, 0.0)]
    try:
        outcome = run_steps(start, steps, mixing=mixing)
    except ValueError:
        return None
    spread = outcome_spread(
        blood_volume_ml=start.blood_volume_ml,
        hb_g_l=start.hb_g_l,
        hbs_pct=start.hbs_pct,
        in_ml=np.array([step.in_ml for step in steps]),
        out_ml=np.array([step.out_ml for step in steps]),
        cells_hb_g_l=np.array([step.hb_g_l for step in steps]),
        mixing=mixing,
        blood_volume_rel_sd=blood_volume_rel_sd,
        hb_sd_g_l=hb_sd_g_l,
        hbs_sd_pct=hbs_sd_pct,
    )
    return EndedNow(
        hb=_figure(outcome.hb_settled_g_l, float(spread.hb_settled)),
        hbs=_figure(outcome.hbs_post_pct, float(spread.hbs)),
        hb_at_once_g_l=outcome.hb_post_g_l,
    )


def _figure(value: float, sd: float) -> Figure:
    return Figure(value, value - TENTH * sd, value + TENTH * sd)
