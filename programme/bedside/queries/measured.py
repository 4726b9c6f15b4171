"""What a session should have done, from what was really given, against what was measured."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from patients.models import Analyte, LabResult
from programme.bedside.numeric.against import Against, against
from programme.core import look
from programme.worklist.numeric.words import figure
from sessions.day.models import Prescription
from sessions.day.numeric.after import (
    Z90,
    Before,
    Expected,
    Figure,
    expected_after,
    parting_words,
)
from sessions.day.numeric.after_machine import expected_after_machine, measured_share_of_machine
from sessions.day.queries import Ending
from sessions.models import ExchangeSession, SessionFacts
from sessions.numeric.mixing import bound_words
from sessions.numeric.totals import steps_of_totals
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD


@dataclass(frozen=True, slots=True)
class Compared:
    """Forecast against measured. rows is empty where there is no ground for a forecast, and `why` says so."""

    before_hbs_pct: float | None = None
    before_hb_g_l: float | None = None
    after_hbs_pct: float | None = None
    after_hb_g_l: float | None = None
    rows: tuple[Against, ...] = ()
    parting: str = ""
    expected: Expected | None = None
    before: Before | None = None
    working: tuple[tuple[str, str, str], ...] = ()
    why: str = ""

    @property
    def mixing_litres(self) -> str:
        return "" if self.before is None else f"{self.before.mixing_volume_ml / 1000:.2f}"


def followed_pct(results: Mapping[str, LabResult], *, with_hbc: bool) -> float | None:
    """Return the followed share of one sample [%]: HbS, in SC disease HbS and HbC; None where a part is missing."""
    wanted = (Analyte.HBS, Analyte.HBC) if with_hbc else (Analyte.HBS,)
    found = [results[analyte].value for analyte in wanted if analyte in results]
    return sum(found) if len(found) == len(wanted) else None


def compared(
    exchange_session: ExchangeSession,
    ending: Ending,
    facts: SessionFacts | None,
    results: Mapping[str, LabResult],
    *,
    settings: Mapping[str, float],
    greatest_rise_g_l: float,
    doubts: tuple[str, ...] = (),
) -> Compared:
    """Return the comparison; no query. The measured before-values count, and those of the plan where none was taken."""
    plan = ending.plan
    figures = Compared(
        before_hbs_pct=_first(facts.hbs_before_pct if facts else None, plan.hbs_pct if plan else None),
        before_hb_g_l=_first(facts.hb_before_g_l if facts else None, plan.hb_g_l if plan else None),
        after_hbs_pct=followed_pct(results, with_hbc=exchange_session.patient.follows_hbs_and_hbc),
        after_hb_g_l=results[Analyte.HB].value if Analyte.HB in results else None,
    )
    if plan is None:
        return replace(figures, why="No forecast: no signed plan names the volume it was reckoned with.")
    if ending.carried_out.is_nothing:
        return replace(figures, why="No forecast: nothing was given or drawn.")
    before = _before(plan, facts, settings)
    share, share_sd = _share_of_machine(ending, before, facts, figures, settings) or _share(facts)
    expected = _expected(ending, before, settings, share_sd=share_sd, mixing_rel_sd=_mixing_rel_sd(plan))
    return replace(
        figures,
        rows=_rows(exchange_session, ending, figures, expected, share, greatest_rise_g_l),
        parting=_parting(ending, expected, figures, doubts),
        expected=expected,
        before=before,
        working=_working(plan, before, facts, _way(ending)),
    )


def _expected(
    ending: Ending, before: Before, settings: Mapping[str, float], *, share_sd: float, mixing_rel_sd: float
) -> Expected:
    in_ml, out_ml, cells_hb = _steps(ending, settings)
    assay = _assay(settings)
    if ending.state.totals is not None and ending.plan is not None:
        settled = ending.plan.predicted.get("hb_settled")
        return expected_after_machine(
            before, given_g=_given_g(ending, settings), hb_end_g_l=float(settled[0]) if settled else None,
            share_sd=share_sd, mixing_rel_sd=mixing_rel_sd, **assay,
        )  # fmt: skip
    return expected_after(
        before, in_ml=in_ml, out_ml=out_ml, cells_hb_g_l=cells_hb, share_sd=share_sd, mixing_rel_sd=mixing_rel_sd,
        **assay,
    )  # fmt: skip


def _assay(settings: Mapping[str, float]) -> dict[str, float]:
    return {name: settings[name] for name in ("hb_assay_sd_g_l", "hbs_assay_sd_pct")}


def _given_g(ending: Ending, settings: Mapping[str, float]) -> float:
    """Donor haemoglobin given. [g]"""
    in_ml, _, cells_hb = _steps(ending, settings)
    return sum(volume * hb for volume, hb in zip(in_ml, cells_hb, strict=True)) / 1000.0


def _share_of_machine(
    ending: Ending, before: Before, facts: SessionFacts | None, figures: Compared, settings: Mapping[str, float]
) -> tuple[float, float] | None:
    """The share of the ideal and its error, by mass; None where a machine did nothing or a value was not measured."""
    if ending.state.totals is None or facts is None or not ending.carried_out.red_cells_in_ml:
        return None
    if facts.hbs_before_pct is None or facts.hb_before_g_l is None:
        return None
    if not figures.after_hbs_pct or not figures.after_hb_g_l:
        return None
    return measured_share_of_machine(
        before, given_g=_given_g(ending, settings), hb_g_l=figures.after_hb_g_l, hbs_pct=figures.after_hbs_pct,
        **_assay(settings),
    )  # fmt: skip


def _parting(ending: Ending, expected: Expected, figures: Compared, doubts: tuple[str, ...]) -> str:
    """The sentence where measured and forecast part."""
    words = parting_words(
        expected, hbs_pct=figures.after_hbs_pct, hb_g_l=figures.after_hb_g_l, doubts=doubts,
        by_machine=ending.state.totals is not None,
    )  # fmt: skip
    return look.hb_words(words)


def _rows(
    exchange_session: ExchangeSession,
    ending: Ending,
    figures: Compared,
    expected: Expected,
    share: float | None,
    greatest_rise_g_l: float,
) -> tuple[Against, ...]:
    rise = ""
    if figures.after_hb_g_l is not None and figures.before_hb_g_l is not None:
        risen, most = (
            figure(look.hb_shown(value), look.hb_places())
            for value in (figures.after_hb_g_l - figures.before_hb_g_l, greatest_rise_g_l)
        )
        rise = f"rise {risen} of {most} {look.hb_unit()}"
    name = "HbS + HbC after" if exchange_session.patient.follows_hbs_and_hbc else "HbS after"
    rows = (
        against(name, expected.hbs_pct, figures.after_hbs_pct, "%", places=1, step=2),
        _hb_row(expected.hb_g_l, figures.after_hb_g_l, rise),
    )
    if math.isnan(expected.share.p50):
        return rows
    middle, low, high = (100 * value for value in (expected.share.p50, expected.share.p10, expected.share.p90))
    percent = None if share is None or math.isnan(share) else 100 * share
    name = "Share of ideal removed" + (", by mass" if ending.state.totals is not None else "")
    return (*rows, against(name, Figure(middle, low, high), percent, "%", places=0, step=10))


def _hb_row(expected: Figure, measured: float | None, rise: str) -> Against:
    """The line of Hb, in the unit that the site reads."""
    shown = Figure(look.hb_shown(expected.p50), look.hb_shown(expected.p10), look.hb_shown(expected.p90))
    value = None if measured is None else look.hb_shown(measured)
    places, step = look.hb_places(), look.hb_shown(5.0)
    return against("Hb after, settled", shown, value, look.hb_unit(), places=places, step=step, more=rise)


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


def _before(plan: Prescription, facts: SessionFacts | None, settings: Mapping[str, float]) -> Before:
    measured = facts is not None and facts.hbs_before_pct is not None
    hbs_sd = settings["hbs_assay_sd_pct"]
    spread = (plan.inputs.get("hbs") or {}).get("forecast")
    if not measured and plan.hbs_is_forecast and spread:
        hbs_sd = (spread[1] - spread[0]) / (2 * Z90)
    return Before(
        blood_volume_ml=plan.blood_volume_ml,
        mixing_volume_ml=plan.mixing_volume_ml,
        hb_g_l=_first(facts.hb_before_g_l if facts else None, plan.hb_g_l) or plan.hb_g_l,
        hbs_pct=_first(facts.hbs_before_pct if facts else None, plan.hbs_pct) or plan.hbs_pct,
        hb_sd_g_l=settings["hb_assay_sd_g_l"],
        hbs_sd_pct=hbs_sd,
        unit_hb_g=settings["unit_hb_g"],
    )


def _mixing_rel_sd(plan: Prescription) -> float:
    """How far the mixing volume is off in the middle: as the plan took it, else as for a formula volume [1]."""
    for stored in (plan.predicted, plan.inputs):
        if stored.get("mixing_rel_sd"):
            return float(stored["mixing_rel_sd"])
    return BLOOD_VOLUME_REL_SD


def _share(facts: SessionFacts | None) -> tuple[float | None, float]:
    if facts is None or facts.share_of_ideal is None or facts.share_of_ideal_sd is None:
        return None, math.nan
    return facts.share_of_ideal, facts.share_of_ideal_sd


def _steps(ending: Ending, settings: Mapping[str, float]) -> tuple[list[float], list[float], list[float]]:
    """Fluid in, blood out and haemoglobin of the fluid of each step; totals are read in the usual order."""
    done = ending.carried_out
    if not done.steps:
        usual = steps_of_totals(
            saline_in_ml=done.saline_in_ml, red_cells_in_ml=done.red_cells_in_ml, blood_out_ml=done.out_ml,
            units=float(done.units) or math.nan, unit_hb_g=settings["unit_hb_g"],
            unit_volume_ml=settings["unit_volume_ml"],
        )  # fmt: skip
        return usual.in_ml.tolist(), usual.out_ml.tolist(), usual.cells_hb_g_l.tolist()
    usual_hb = 1000.0 * settings["unit_hb_g"] / settings["unit_volume_ml"]
    hb = [(step.cells_hb_g_l or usual_hb) if step.fluid == "red_cells" else 0.0 for step in done.steps]
    return [step.in_ml for step in done.steps], [step.out_ml for step in done.steps], hb


BY_MASS = "by mass of haemoglobin, from the units given and the Hb that the plan lets the machine end at"
BY_TOTALS = "from the totals in the usual order"
STEP_BY_STEP = "step by step from what was really given and drawn, with the spread of the assay"


def _way(ending: Ending) -> str:
    if ending.state.totals is not None:
        return BY_MASS
    return STEP_BY_STEP if ending.carried_out.steps else BY_TOTALS


def _working(
    plan: Prescription, before: Before, facts: SessionFacts | None, way: str
) -> tuple[tuple[str, str, str], ...]:
    hbs = "measured" if facts is not None and facts.hbs_before_pct is not None else "of the plan"
    hb = "measured" if facts is not None and facts.hb_before_g_l is not None else "of the plan"
    mixes = f"as in plan {plan.number}; HbS and Hb", bound_words(before.mixing_volume_ml / before.blood_volume_ml)
    return (
        ("HbS before", f"{before.hbs_pct:.1f} %", hbs),
        ("Hb before", look.hb_words(f"{before.hb_g_l:.0f} g/L"), hb),
        ("blood volume", f"{before.blood_volume_ml / 1000:.2f} L", "by formula; limits and mL/kg"),
        ("mixes like", f"{before.mixing_volume_ml / 1000:.2f} L", "; ".join(filter(None, mixes))),
        ("forecast", "made again", way),
        (
            "share of ideal",
            "at the formula volume",
            f"own cells removed against the ideal for these {'units' if way == BY_MASS else 'volumes'}, as logs",
        ),
    )
