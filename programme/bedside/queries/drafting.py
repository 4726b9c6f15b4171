"""From a person's records and today's figures to a plan that can be stored: searched anew, or as steps were typed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from programme.bedside.numeric.judging import judge, judge_automated
from programme.bedside.numeric.laid import STORED_PLACES, Ground, Judged, Laid, Moment, drawn_for_good
from programme.bedside.queries.known import Known
from programme.planning.numeric.dayplan import DayPlan
from programme.planning.numeric.search import UNFAVOURABLE_TENTH
from programme.planning.queries import plan_of_day
from programme.worklist.numeric.sheet import GIVEN_FIRST
from sessions.day.inputs import standing_of
from sessions.day.models import Prescription
from sessions.day.numeric.draft import PlanDraft
from sessions.models import Method

SAME_VALUE = 0.05
"""Results are stored to a tenth. [g/L, %]"""
SAID_BY_THE_LIMITS = "A warning limit is passed"

FROM_THE_SEARCH = ("end_target_pct", "interval_after_days", "marginal", "alternatives", "series", "working", "warnings")


@dataclass(frozen=True, slots=True)
class Typed:
    """A plan as typed. None takes what is recorded or was planned. units, hb_end_g_l: of an automated session."""

    method: str
    weight_kg: float | None
    hb_g_l: float | None
    hbs_pct: float | None
    steps: tuple[Laid, ...]
    units: int | None = None
    hb_end_g_l: float | None = None
    dehydrated: bool = False


def draft_from_planner(
    known: Known, *, method: str, saline_first: bool = False, dehydrated: bool = False
) -> PlanDraft | str:
    """Return the session that the planner suggests for the day, or the sentence that says why there is none."""
    weight = known.record.weight_kg
    if math.isnan(weight):
        return "No weight is recorded: weigh first."
    hbs = known.hbs_pct
    told = plan_of_day(
        patient=known.patient,
        as_of=known.on,
        method=method,
        weight_kg=weight,
        hb_g_l=None if known.hb is None else known.hb.value,
        hb_taken_on=None if known.hb is None else known.hb.taken_on,
        hbs_pct=hbs,
        hbs_taken_on=None if known.hbs is None or hbs is None else known.hbs.taken_on,
        saline_first=saline_first,
    )
    if told.status != "ok":
        return told.reason
    ground = _ground_told(known, told)
    judged = _judged_told(known, told, ground)
    asked = Typed(method, None, None, None, (), dehydrated=dehydrated)
    return _draft(known, asked, ground, judged, _from_the_search(told), forecast=hbs is None)


def draft_from_typed(known: Known, base: Prescription, typed: Typed) -> PlanDraft:
    """Return the plan with the steps and figures as typed, judged at every moment.

    What was searched for `base` stands beside it. Raises ValueError where it cannot be carried out.
    """
    if (typed.method == Method.AUTOMATED) != (base.method == Method.AUTOMATED):
        raise ValueError("the steps are those of another method; make the plan again for the one that is chosen")
    ground, is_forecast = _ground_typed(known, base, typed)
    limits = known.limits(ground.weight_kg, typed.method)
    if typed.method == Method.AUTOMATED:
        judged = judge_automated(
            ground, units=typed.units or base.units, limits=limits, hard=known.hard,
            hb_end_g_l=typed.hb_end_g_l or float(base.predicted["hb_settled"][0]),
        )  # fmt: skip
    else:
        judged = judge(ground, typed.steps, limits, known.hard)
    beside = {name: base.predicted[name] for name in FROM_THE_SEARCH if name in base.predicted}
    draft = _draft(known, typed, ground, judged, beside, forecast=is_forecast)
    of_base = typed.hb_g_l is not None and abs(typed.hb_g_l - base.hb_g_l) < SAME_VALUE
    if of_base and (known.hb is None or known.hb.value != typed.hb_g_l):
        draft.inputs["hb"] = base.inputs.get("hb") or draft.inputs["hb"]  # it rests on that result, and not on a newer
    return draft


def steps_laid(steps: Sequence[Mapping[str, Any]]) -> tuple[Laid, ...]:
    """Return stored steps as they are judged."""
    return tuple(
        Laid(step["fluid"], float(step["in_ml"]), float(step["out_ml"]), float(step.get("cells_hb_g_l") or 0.0))
        for step in steps
    )


def as_planned(plan: Prescription) -> Typed:
    """Return a stored plan as if it had been typed, to be judged again from other figures."""
    settled = (plan.predicted or {}).get("hb_settled")
    return Typed(
        plan.method, plan.weight_kg, None, None, steps_laid(plan.steps), units=plan.units,
        hb_end_g_l=settled[0] if settled else None, dehydrated=bool(plan.inputs.get("dehydrated")),
    )  # fmt: skip


def drawn_ahead_ml(shown: Prescription | PlanDraft, *, done: int = 0) -> float:
    """How far a plan through one arm draws ahead of what it gives, before its end; 0 where it never does. [mL]

    done: how many of its steps are over, which no plan can change.
    """
    if shown.method != Method.ONE_ARM:
        return 0.0
    return max([0.0, *(-float(step.get("balance_ml") or 0.0) for step in shown.steps[done:-1])])


def _ground_told(known: Known, told: DayPlan) -> Ground:
    return _ground(
        known, known.record.weight_kg, told.blood_volume_ml, told.mixing, told.mixing_rel_sd, told.hb_before_g_l,
        told.hb_before_sd_g_l, told.hbs_before_pct, told.hbs_before_sd_pct,
    )  # fmt: skip


def _ground(
    known: Known, weight_kg: float, volume_ml: float, mixing: float, mixing_rel_sd: float, hb_g_l: float,
    hb_sd_g_l: float, hbs_pct: float, hbs_sd_pct: float,
) -> Ground:  # fmt: skip
    settings = known.settings
    return Ground(
        weight_kg=weight_kg,
        blood_volume_ml=volume_ml,
        mixing=mixing,
        mixing_rel_sd=mixing_rel_sd,
        hb_g_l=hb_g_l,
        hb_sd_g_l=hb_sd_g_l,
        hbs_pct=hbs_pct,
        hbs_sd_pct=hbs_sd_pct,
        unit_volume_ml=settings["unit_volume_ml"],
        unit_hb_g=settings["unit_hb_g"],
        early_loss=settings["early_loss_pct"] / 100.0,
        iron_mg_per_g=settings["iron_mg_per_g_hb"],
        draw_ml=settings["draw_size_ml"],
        rounding_ml=settings["volume_rounding_ml"],
    )


def _ground_typed(known: Known, base: Prescription, typed: Typed) -> tuple[Ground, bool]:
    """The figures typed, else measured, else those of the plan before; and whether HbS is a forecast."""
    start, settings = base.inputs.get("start") or {}, known.settings
    weight = typed.weight_kg or known.record.weight_kg
    hb, hb_sd = base.hb_g_l, start.get("hb_sd_g_l", settings["hb_assay_sd_g_l"])
    measured_hb = typed.hb_g_l
    if measured_hb is None and known.hb is not None:
        measured_hb = known.hb.value
    if measured_hb is not None:
        hb, hb_sd = measured_hb, settings["hb_assay_sd_g_l"]
    hbs, hbs_sd, is_forecast = base.hbs_pct, start.get("hbs_sd_pct", settings["hbs_assay_sd_pct"]), base.hbs_is_forecast
    named = (base.inputs.get("hbs") or {}).get("result")
    newer = known.hbs is not None and known.hbs.pk != named  # an older sample was carried forward for the plan before
    measured_hbs = typed.hbs_pct if typed.hbs_pct is not None else known.hbs_pct if newer else None
    if measured_hbs is not None and (newer or named is None or measured_hbs != known.hbs_pct):
        hbs, hbs_sd, is_forecast = measured_hbs, settings["hbs_assay_sd_pct"], False
    return _ground(
        known, weight, known.volume_ml(weight), start.get("mixing", base.mixing_volume_ml / base.blood_volume_ml),
        start.get("mixing_rel_sd", 0.1), hb, hb_sd, hbs, hbs_sd,
    ), is_forecast  # fmt: skip


def _judged_told(known: Known, told: DayPlan, ground: Ground) -> Judged | None:
    limits = known.limits(ground.weight_kg, told.method)
    if told.method == Method.AUTOMATED:
        return judge_automated(
            ground, units=told.units, hb_end_g_l=told.hb_after_g_l.p50, limits=limits, hard=known.hard
        )
    laid = tuple(Laid(step.fluid, step.in_ml, step.out_ml, step.fluid_hb_g_l) for step in told.steps)
    return judge(ground, laid, limits, known.hard) if laid else None


def _from_the_search(told: DayPlan) -> dict[str, Any]:
    return {
        "end_target_pct": _plain(told.end_target_pct, 1),
        "interval_after_days": told.interval_after_days,
        "marginal": [
            {
                "units": row.units, "hbs_pct": _plain(row.hbs_pct, 1), "points": _plain(row.points, 1),
                "hb_g_l": _plain(row.hb_g_l, 0), "out_ml": _plain(row.out_ml, 0), "chance": _plain(row.chance, 4),
                "limit": row.limit or None,
            }
            for row in told.marginal
        ],
        "alternatives": [{"name": name, "words": words} for name, words in told.alternatives],
        "series": [
            {
                "date": date.fromordinal(day.day).isoformat(), "units": day.units,
                "saline_ml": _plain(day.saline_ml, 0), "out_ml": _plain(day.blood_out_ml, 0),
                "hbs_before_pct": _plain(day.hbs_before_pct, 1),
                "hbs_after_pct": _plain(day.hbs_after_pct, 1), "hb_before_g_l": _plain(day.hb_before_g_l, 0),
                "hb_after_g_l": _plain(day.hb_after_g_l, 0),
            }
            for day in told.series
        ],
        "warnings": [words for words in told.warnings if not words.startswith(SAID_BY_THE_LIMITS)],
        "working": [list(line) for line in told.working],
    }  # fmt: skip


def _plain(value: float, places: int) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), places)


def _draft(
    known: Known, typed: Typed, ground: Ground, judged: Judged | None, beside: dict[str, Any], *, forecast: bool
) -> PlanDraft:
    moments = () if judged is None else judged.moments
    return PlanDraft(
        method=typed.method,
        weight_kg=ground.weight_kg,
        hb_g_l=round(ground.hb_g_l, STORED_PLACES),
        hbs_pct=round(ground.hbs_pct, STORED_PLACES),
        hbs_is_forecast=forecast,
        blood_volume_ml=round(ground.blood_volume_ml, 1),
        mixing_volume_ml=round(ground.blood_volume_ml * ground.mixing, 1),
        units=0 if judged is None else judged.units,
        inputs=_inputs(known, typed, ground, forecast=forecast),
        steps=[_step(number, moments, typed.method, known) for number in range(1, len(moments) + 1)],
        predicted=_predicted(judged, ground) | beside,
        limits=[] if judged is None else [row.stored() for row in judged.limits],
    )


def _inputs(known: Known, typed: Typed, ground: Ground, *, forecast: bool) -> dict[str, Any]:
    weight, hb, hbs = known.weight, known.hb, None if known.hbs_pct is None else known.hbs
    ends = UNFAVOURABLE_TENTH * ground.hbs_sd_pct
    return {
        "hb": {
            "result": None if hb is None else hb.pk,
            "value": ground.hb_g_l,
            "taken_at": None if hb is None else hb.taken_at.isoformat(),
        },
        "hbs": {
            "result": None if hbs is None else hbs.pk,
            "with": [known.hbc.pk] if hbs is not None and known.hbc is not None else [],
            "value": ground.hbs_pct,
            "taken_at": None if hbs is None else hbs.taken_at.isoformat(),
            "forecast": [ground.hbs_pct - ends, ground.hbs_pct + ends] if forecast else None,
        },
        "weight": {
            "measure": None if weight is None else weight.pk,
            "value": ground.weight_kg,
            "on": None if known.record.weight_on is None else known.record.weight_on.isoformat(),
        },
        **standing_of(known.patient, known.on),
        "sample": None if known.sample is None else known.sample.pk,
        "dehydrated": typed.dehydrated,
        "start": {
            "hb_sd_g_l": ground.hb_sd_g_l,
            "hbs_sd_pct": ground.hbs_sd_pct,
            "mixing": ground.mixing,
            "mixing_rel_sd": ground.mixing_rel_sd,
        },
    }


def _predicted(judged: Judged | None, ground: Ground) -> dict[str, Any]:
    if judged is None:
        return {"mixing_rel_sd": ground.mixing_rel_sd}
    return {
        "hb": judged.moments[-1].hb_g_l.stored(),
        "hbs": judged.hbs.stored(),
        "hb_settled": judged.hb_settled.stored(),
        "own_left_pct": _plain(judged.own_left_pct, STORED_PLACES),
        "donor_kept_pct": _plain(judged.donor_kept_pct, STORED_PLACES),
        "net_iron_mg": _plain(judged.net_iron_mg, 0),
        "deepest_ml": _plain(judged.deepest_ml, 0),
        "highest_ml": _plain(judged.highest_ml, 0),
        "mixing_rel_sd": ground.mixing_rel_sd,
    }


def _step(number: int, moments: Sequence[Moment], method: str, known: Known) -> dict[str, Any]:
    moment = moments[number - 1]
    return {
        "number": number,
        "fluid": moment.laid.fluid,
        "units": list(moment.units),
        "in_ml": round(moment.laid.in_ml, 1),
        "out_ml": round(moment.laid.out_ml, 1),
        "draws": [round(draw, 1) for draw in moment.draws],
        "why": _why(number - 1, [m.laid for m in moments], method, flagged=known.record.is_flagged),
        "hb": moment.hb_g_l.stored(),
        "hbs": moment.hbs_pct.stored(),
        "cells_hb_g_l": round(moment.laid.hb_g_l, 1) or None,
        "balance_ml": round(moment.balance_ml, 1),
        "without_saline_ml": round(moment.balance_without_saline_ml, 1),
    }


def _is_for_good(steps: Sequence[Laid]) -> bool:
    """Whether the last draw of a plan is one for which nothing is given back."""
    return drawn_for_good(sum(step.in_ml - step.out_ml for step in steps), steps[-1].out_ml)


def _why(place: int, steps: Sequence[Laid], method: str, *, flagged: bool) -> str:
    """Why a step stands where it does; '' for what needs no reason."""
    step, last = steps[place], place == len(steps) - 1
    cells_before = any(earlier.fluid == "red_cells" and earlier.in_ml for earlier in steps[:place])
    saline_after = any(later.fluid == "saline" and later.in_ml for later in steps[place:])
    if method == Method.AUTOMATED:
        return "totals only: the order is the machine's own"
    if place == 0 and step.fluid == "red_cells" and not step.out_ml and method == Method.TWO_ARM:
        return "given first without drawing: Hb starts too low to exchange"
    if place == 0 and step.in_ml and not step.out_ml and method == Method.ONE_ARM and flagged:
        return GIVEN_FIRST
    if place == 0 and step.fluid == "red_cells" and saline_after:
        return (
            "first, because saline first is off for this person"
            if flagged
            else "first, because with saline first Hb would fall further"
        )
    if last and not step.in_ml and cells_before and (method == Method.TWO_ARM or _is_for_good(steps)):
        return "drawn without return, so that Hb does not end too high"
    if step.fluid == "saline" and step.in_ml and cells_before and method == Method.TWO_ARM:
        return "now that Hb has risen, so that it stays over the floor"
    if place == 0 and step.fluid == "saline":
        return "first: what is drawn now holds no donor cells"
    return ""
