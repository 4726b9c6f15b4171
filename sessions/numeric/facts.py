"""What is reckoned from finished sessions, many at once: the figures that the drift model and the pages read.

Nothing here looks at a later session of the same person, so that the facts of a session are the same whatever came
after it.
"""

import math
from bisect import insort
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.core.numeric.setting_table import DEFAULTS
from sessions.numeric.by_mass import END_HB_SD_G_L, given_rel_sd, reckon_by_mass
from sessions.numeric.efficiency import (
    STANDS_OUT_SD,
    USUAL_RATIO,
    USUAL_RATIO_SD,
    USUAL_WORTH,
    session_efficiency,
    standing_out,
)
from sessions.numeric.exchange import run_many
from sessions.numeric.totals import reckon_totals, steps_of_totals
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD, outcome_spread
from sessions.numeric.volume import AGE_YEARS, blood_volume_ml

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TYPICAL_HB_G_L, TYPICAL_HB_SD_G_L = 90.0, 12.0
"""Hb before a session where this person has none measured yet, and its spread. Chosen here; not from a source."""

EARLIER_HB_SD_G_L = 8.0
"""Spread of Hb before a session around the one measured before the session before. Chosen here; not from a source."""

FIGURE_WORDS = {
    "hbs_before_pct": "HbS before",
    "hbs_after_pct": "HbS after",
    "hb_before_g_l": "Hb before",
    "hb_after_g_l": "Hb after",
    "units": "units",
    "red_cells_in_ml": "volume of red cells",
    "saline_in_ml": "volume of saline",
    "blood_out_ml": "blood drawn",
    "height_cm": "height",
}


@dataclass(frozen=True, slots=True)
class StepsAsDone:
    """Steps really carried out, of some of the sessions.

    rows: place of each such session, [k]. in_ml, out_ml [mL] and cells_hb_g_l [g/L, 0 for saline] have shape
    [k, steps], padded with 0.
    """

    rows: Ints
    in_ml: Floats
    out_ml: Floats
    cells_hb_g_l: Floats


@dataclass(frozen=True, slots=True)
class FinishedSessions:
    """Sessions as recorded, rows in order of person and day; arrays of shape [n], nan where nothing is recorded.

    person: any number that is the same for one person. female: bool. age_years [years], height_cm [cm] and
    weight_kg [kg] on the day. HbS [%], Hb [g/L], volumes [mL], units [count]. by_machine: bool, whether a machine did
    it, whose blood drawn is not whole blood.
    """

    person: Ints
    female: NDArray[np.bool_]
    age_years: Floats
    height_cm: Floats
    weight_kg: Floats
    hbs_before_pct: Floats
    hbs_after_pct: Floats
    hb_before_g_l: Floats
    hb_after_g_l: Floats
    units: Floats
    saline_in_ml: Floats
    red_cells_in_ml: Floats
    blood_out_ml: Floats
    by_machine: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FactFigures:
    """Reckoned figures, arrays of shape [n], nan where one cannot be had; `missing` and `remarks` are words or ''.

    hbs_ratio, hbs_ratio_sd: HbS after over before, from the session's own volumes [1]. hb_reckoned_g_l, _sd: settled
    Hb after, from the same [g/L]. share_of_ideal, _sd: own
    cells removed against the ideal for the same volumes, ratio of logs [1]. donor_kept_pct: of the donor
    haemoglobin given [%]. points_per_unit [points]. net_iron_mg [mg].
    """

    blood_volume_ml: Floats
    hbs_ratio: Floats
    hbs_ratio_sd: Floats
    hb_reckoned_g_l: Floats
    hb_reckoned_sd: Floats
    points_per_unit: Floats
    share_of_ideal: Floats
    share_of_ideal_sd: Floats
    donor_kept_pct: Floats
    net_iron_mg: Floats
    missing: list[str]
    remarks: list[str]


def reckon_facts(
    sessions: FinishedSessions, *, steps: StepsAsDone | None = None, settings: dict[str, float] = DEFAULTS
) -> FactFigures:
    """Reckon every session's figures at the formula blood volume.

    steps: as carried out, where they are known; otherwise the totals are read in the usual order. settings: the
    site's unit volume and haemoglobin, assay spreads and iron.
    Where Hb before is missing, the HbS ratio and Hb after rest on the one measured before an earlier session (else on a
    typical one), with a spread that says so; the other figures that need it stay nan. What a machine did is reckoned by
    mass (`by_mass`), since it keeps part of what it draws: with Hb after where that was measured, else as ending at Hb
    before. No share of ideal is said of it, and its iron only where Hb was measured on both sides.
    """
    volume = blood_volume_ml(
        female=sessions.female,
        height_cm=sessions.height_cm,
        weight_kg=sessions.weight_kg,
        age_years=np.minimum(sessions.age_years, AGE_YEARS[1]),
    )
    in_ml, out_ml, cells_hb = _all_steps(sessions, steps, settings)
    hb, assumed_sd = earlier_hb(sessions.person, sessions.hb_before_g_l)
    hb_sd = np.where(np.isnan(assumed_sd), settings["hb_assay_sd_g_l"], assumed_sd)
    reckoned = _reckoned(sessions, volume, hb, hb_sd, steps, settings)
    given_g = (in_ml * cells_hb).sum(axis=-1) / 1000.0
    reckoned = _by_machine(sessions, volume, hb, hb_sd, given_g, reckoned, settings)
    achieved = session_efficiency(
        blood_volume_ml=volume,
        hb_before_g_l=sessions.hb_before_g_l,
        hb_after_g_l=sessions.hb_after_g_l,
        hbs_before_pct=sessions.hbs_before_pct,
        hbs_after_pct=sessions.hbs_after_pct,
        units=sessions.units,
        in_ml=in_ml,
        out_ml=out_ml,
        cells_hb_g_l=cells_hb,
        hb_sd_g_l=settings["hb_assay_sd_g_l"],
        hbs_sd_pct=settings["hbs_assay_sd_pct"],
        iron_mg_per_g=settings["iron_mg_per_g_hb"],
    )
    ratio, ratio_sd, kept = (
        np.where(sessions.by_machine, np.nan, values)
        for values in (achieved.removal_ratio, achieved.removal_ratio_sd, achieved.donor_kept)
    )
    gained_g = volume / 1000.0 * (sessions.hb_after_g_l - sessions.hb_before_g_l)
    iron = np.where(sessions.by_machine, settings["iron_mg_per_g_hb"] * gained_g, achieved.net_iron_mg)
    return FactFigures(
        blood_volume_ml=volume,
        **reckoned,
        points_per_unit=achieved.hbs_points_per_unit,
        share_of_ideal=ratio,
        share_of_ideal_sd=ratio_sd,
        donor_kept_pct=100.0 * kept,
        net_iron_mg=iron,
        missing=_missing(sessions),
        remarks=_remarks(sessions.person, ratio, ratio_sd),
    )


def earlier_hb(person: Ints, hb_before_g_l: Floats) -> tuple[Floats, Floats]:
    """Hb before each session, measured or as newest measured before an earlier one, and how wide that is [g/L].

    A measured value has the spread nan: the assay's is the caller's to choose. Rows in order of person and day.
    """
    n = len(person)
    places = np.where(np.isnan(hb_before_g_l), -1, np.arange(n))
    newest = np.maximum.accumulate(places) if n else places
    first = np.searchsorted(person, person, side="left") if n else places
    own = newest >= first
    value = np.where(own, hb_before_g_l[np.maximum(newest, 0)] if n else hb_before_g_l, TYPICAL_HB_G_L)
    spread = np.where(own, EARLIER_HB_SD_G_L, TYPICAL_HB_SD_G_L)
    return value, np.where(np.isnan(hb_before_g_l), spread, np.nan)


def _reckoned(
    sessions: FinishedSessions,
    volume: Floats,
    hb: Floats,
    hb_sd: Floats,
    steps: StepsAsDone | None,
    settings: dict[str, float],
) -> dict[str, Floats]:
    """HbS after over before, and settled Hb after, with their spreads, by the names of FactFigures."""
    reckoned = reckon_totals(
        blood_volume_ml=volume,
        hb_before_g_l=hb,
        saline_in_ml=sessions.saline_in_ml,
        red_cells_in_ml=sessions.red_cells_in_ml,
        blood_out_ml=sessions.blood_out_ml,
        units=sessions.units,
        hb_before_sd_g_l=hb_sd,
        unit_hb_g=settings["unit_hb_g"],
        unit_volume_ml=settings["unit_volume_ml"],
    )
    found = {
        "hbs_ratio": reckoned.hbs_ratio.copy(),
        "hbs_ratio_sd": reckoned.hbs_ratio_sd.copy(),
        "hb_reckoned_g_l": reckoned.hb_settled_g_l.copy(),
        "hb_reckoned_sd": reckoned.hb_settled_sd_g_l.copy(),
    }
    if steps is not None and len(steps.rows):
        known: dict[str, Any] = {
            "blood_volume_ml": volume[steps.rows],
            "hb_g_l": hb[steps.rows],
            "hbs_pct": 100.0,
            "in_ml": steps.in_ml,
            "out_ml": steps.out_ml,
            "cells_hb_g_l": steps.cells_hb_g_l,
        }
        outcome = run_many(**known)
        spread = outcome_spread(**known, unit_hb_g=settings["unit_hb_g"], hb_sd_g_l=hb_sd[steps.rows], hbs_sd_pct=0.0)
        by_steps = (outcome.hbs_ratio, spread.hbs_ratio, outcome.hb_settled, spread.hb_settled)
        for column, values in zip(found.values(), by_steps, strict=True):
            column[steps.rows] = values
    return found


def _by_machine(
    sessions: FinishedSessions,
    volume: Floats,
    hb: Floats,
    hb_sd: Floats,
    given_g: Floats,
    by_volume: dict[str, Floats],
    settings: dict[str, float],
) -> dict[str, Floats]:
    """The same figures with those of a machine reckoned by mass in their place; given_g: donor Hb given [g].

    The HbS ratio takes Hb after as measured. Hb after itself is reckoned as if it were not, so that it stays a forecast
    to hold the measured one against.
    """
    rows = np.flatnonzero(sessions.by_machine)
    if not len(rows):
        return by_volume
    known: dict[str, Any] = {
        "volume_l": volume[rows] / 1000.0,
        "volume_rel_sd": BLOOD_VOLUME_REL_SD,
        "hb_before_g_l": hb[rows],
        "hb_before_sd_g_l": hb_sd[rows],
        "given_g": given_g[rows],
        "given_rel_sd": given_rel_sd(given_g[rows], settings["unit_hb_g"]),
    }
    as_before = reckon_by_mass(**known, hb_end_g_l=hb[rows], hb_end_sd_g_l=END_HB_SD_G_L)
    as_measured = reckon_by_mass(
        **known,
        hb_end_g_l=sessions.hb_after_g_l[rows],
        hb_end_sd_g_l=settings["hb_assay_sd_g_l"],
        end_is_measured=True,
    )
    measured = np.isfinite(as_measured.hbs_ratio)
    figures = {
        "hbs_ratio": np.where(measured, as_measured.hbs_ratio, as_before.hbs_ratio),
        "hbs_ratio_sd": np.where(measured, as_measured.hbs_ratio_sd, as_before.hbs_ratio_sd),
        "hb_reckoned_g_l": as_before.hb_settled_g_l,
        "hb_reckoned_sd": as_before.hb_settled_sd_g_l,
    }
    return {name: _put(column, rows, figures[name]) for name, column in by_volume.items()}


def _put(column: Floats, rows: Ints, values: Floats) -> Floats:
    placed = column.copy()
    placed[rows] = values
    return placed


def _all_steps(
    sessions: FinishedSessions, steps: StepsAsDone | None, settings: dict[str, float]
) -> tuple[Floats, Floats, Floats]:
    """Steps of every session, [n, steps]: as carried out where known, else the totals in the usual order."""
    totals = steps_of_totals(
        saline_in_ml=sessions.saline_in_ml,
        red_cells_in_ml=sessions.red_cells_in_ml,
        blood_out_ml=sessions.blood_out_ml,
        units=sessions.units,
        unit_hb_g=settings["unit_hb_g"],
        unit_volume_ml=settings["unit_volume_ml"],
    )
    arrays = (totals.in_ml, totals.out_ml, totals.cells_hb_g_l)
    if steps is None or not len(steps.rows):
        return arrays
    wider = max(steps.in_ml.shape[1], 2)
    padded = [np.pad(array, ((0, 0), (0, wider - 2))) for array in arrays]
    for array, done in zip(padded, (steps.in_ml, steps.out_ml, steps.cells_hb_g_l), strict=True):
        array[steps.rows] = np.pad(done, ((0, 0), (0, wider - done.shape[1])))
    return padded[0], padded[1], padded[2]


def _missing(sessions: FinishedSessions) -> list[str]:
    """Name the figures that each session lacks, in the order of FIGURE_WORDS."""
    lacking = np.stack([np.isnan(getattr(sessions, name)) for name in FIGURE_WORDS], axis=-1)
    words = list(FIGURE_WORDS.values())
    # Few different combinations: each is put into words once.
    combinations, which = np.unique(lacking, axis=0, return_inverse=True)
    texts = [", ".join(word for word, lacks in zip(words, row, strict=True) if lacks) for row in combinations]
    return [texts[place] for place in which.reshape(-1)]


def _remarks(person: Ints, ratio: Floats, ratio_sd: Floats) -> list[str]:
    """A sentence for every session that stands out among the person's earlier ones, '' for the others."""
    remarks = []
    earlier: list[float] = []
    before: int | None = None
    for whose, value, error in zip(person.tolist(), ratio.tolist(), ratio_sd.tolist(), strict=True):
        if whose != before:
            before, earlier = whose, []
        if np.isnan(value) or np.isnan(error):
            remarks.append("")
            continue
        found = None
        if _might_stand_out(value, error, earlier):
            found = standing_out(ratio=value, ratio_sd=error, earlier_ratios=earlier)
        remarks.append("" if found is None else found.sentence)
        insort(earlier, value)
    return remarks


def _might_stand_out(ratio: float, ratio_sd: float, earlier: list[float]) -> bool:
    """Say quickly that a session cannot stand out: even if the person's own spread were nothing, it is near enough."""
    total = len(earlier) + USUAL_WORTH
    own = median(earlier) if earlier else USUAL_RATIO
    middle = (len(earlier) * own + USUAL_WORTH * USUAL_RATIO) / total
    least_spread = USUAL_RATIO_SD * math.sqrt(USUAL_WORTH / total)
    return abs(ratio - middle) >= STANDS_OUT_SD * max(least_spread, ratio_sd)
