"""Where a session stands by its entries: Hb and HbS if it ended now, and whether Hb would stay too high."""

from __future__ import annotations

from collections.abc import Mapping

from programme.bedside.numeric.passed_now import left_high_words
from sessions.day.models import Prescription
from sessions.day.numeric.standing import TENTH, EndedNow, ended_now
from sessions.day.numeric.tally import Tally
from sessions.numeric.exchange import Start


def ended_of(plan: Prescription, state: Tally, settings: Mapping[str, float]) -> EndedNow | None:
    """Where it stands, from the figures the plan was made on; forecast HbS is as wide as its forecast."""
    hbs_sd = settings["hbs_assay_sd_pct"]
    spread = (plan.inputs.get("hbs") or {}).get("forecast")
    if plan.hbs_is_forecast and spread:
        hbs_sd = (spread[1] - spread[0]) / (2 * TENTH)
    return ended_now(
        Start(plan.blood_volume_ml, plan.hb_g_l, plan.hbs_pct, plan.weight_kg),
        state.as_steps(),
        mixing=plan.mixing_volume_ml / plan.blood_volume_ml,
        hb_sd_g_l=settings["hb_assay_sd_g_l"],
        hbs_sd_pct=hbs_sd,
    )


def hb_left_high(plan: Prescription | None, state: Tally, settings: Mapping[str, float]) -> str:
    """What speaks against ending a session by hand now, of Hb once the volume has settled; '' where nothing does.

    A plan that gives before it draws leaves a unit undrawn wherever it is broken off.
    """
    ended = None if plan is None or not state.moved else ended_of(plan, state, settings)
    allowed = next((row["allowed"] for row in plan.limits if row["name"] == "hb_after"), None) if plan else None
    if plan is None or ended is None or allowed is None:
        return ""
    planned = plan.predicted.get("hb_settled") or [allowed]
    return left_high_words(ended.hb.value, allowed_g_l=allowed, planned_g_l=planned[0])
