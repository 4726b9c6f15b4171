"""One exchange session, step by step, exactly, for one session or for very many.

How a step mixes is in `wash`. Extremes need no search inside a step: the concentration moves towards that of
the fluid without turning and the balance is a straight line, so both are greatest and smallest at the start
of the session or at the end of a step.

Haemoglobin is kept in three pools: the person's own, that of earlier donors, and that of today's donors. The
blood drawn does not choose between the first two, so the same share of each is left, and that share is also
the share of HbS left by mass. The split between them is needed for the amounts only, never for what the
session does. Donor cells hold none of the haemoglobin that is followed: units for people with sickle cell
disease are HbS-negative.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from programme.core.numeric.setting_table import DEFAULTS
from sessions.numeric.wash import check_range, gather, trace

Floats = NDArray[np.float64]

UNIT_HB_G_L = 1000.0 * DEFAULTS["unit_hb_g"] / DEFAULTS["unit_volume_ml"]
"""Haemoglobin concentration in a unit of red cells, unless the site or the label says otherwise. [g/L]"""

IRON_MG_PER_G = DEFAULTS["iron_mg_per_g_hb"]
"""Iron in haemoglobin. [mg/g]"""

MOST_EARLY_LOSS = 0.25
"""Greatest share of donor cells taken as lost in the first day: a recovery under 75 % fails the US criterion
(Dumont LJ, AuBuchon JP, Transfusion 2008;48:1053-60)."""


@dataclass(frozen=True, slots=True)
class Step:
    """Fluid in and blood out at the same time, at steady rates.

    fluid : "saline" or "red_cells"
    in_ml : fluid given; 0 for bleeding only. [mL]
    out_ml : blood drawn; 0 for giving only. [mL]
    hb_g_l : haemoglobin in the red cells given; 0 for saline. [g/L]
    """

    fluid: Literal["saline", "red_cells"]
    in_ml: float
    out_ml: float
    hb_g_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Start:
    """The person as the session begins.

    blood_volume_ml : [mL]
    hb_g_l : haemoglobin before. [g/L]
    hbs_pct : share of haemoglobin that is followed: HbS, or HbS + HbC in SC disease. [%]
    weight_kg : nan when unknown; used for mL/kg only. [kg]
    untransfused_pct : that share in the person's own cells, which tells own from earlier donors'
        haemoglobin; nan when unknown. [%]
    """

    blood_volume_ml: float
    hb_g_l: float
    hbs_pct: float
    weight_kg: float = np.nan
    untransfused_pct: float = np.nan


@dataclass(frozen=True, slots=True)
class StepState:
    """Where one step leaves the person; units as in `SessionOutcome`."""

    hb_g_l: float
    hbs_pct: float
    balance_ml: float  # all fluids, in less out, since the start
    balance_without_saline_ml: float  # red cells in less blood out: most saline leaves the circulation within the hour
    own_cells_left_pct: float


@dataclass(frozen=True, slots=True)
class SessionOutcome:
    """What a session does. 'Settled' is after the volume has gone back to the starting blood volume."""

    blood_volume_ml: float
    hb_post_g_l: float  # at the volume at which the session ends
    hb_settled_g_l: float
    hbs_post_pct: float
    hbs_settled_pct: float  # differs from hbs_post_pct only when donor cells are lost early
    own_cells_left_pct: float  # by cell mass
    hbs_left_pct: float  # HbS % after over HbS % before; not the same as the line above when Hb changes
    donor_hb_given_g: float
    donor_hb_kept_pct: float  # not drawn straight off again; nan when none was given
    lowest_hb_g_l: float
    highest_hb_g_l: float
    deepest_deficit_ml: float
    deepest_deficit_ml_per_kg: float  # nan when the weight is unknown
    largest_excess_ml: float
    end_balance_ml: float
    net_iron_mg: float
    own_hb_g: float  # nan when the untransfused share is unknown, as in the next line
    earlier_donor_hb_g: float
    steps: tuple[StepState, ...]


@dataclass(frozen=True, slots=True)
class ManyOutcomes:
    """Outcomes of many sessions. Shapes: `lead` for the session, `lead + (steps,)` for the `step_` arrays.

    A session that would draw the whole volume has nan everywhere but in the balances and in `donor_given`.
    """

    hb_end: Floats  # at the volume at which the session ends [g/L]
    hb_settled: Floats  # volume back at the starting blood volume, early loss taken [g/L]
    hbs: Floats  # at the end [%]
    hbs_settled: Floats  # early loss taken [%]
    hbs_ratio: Floats  # HbS % at the end over HbS % before [1]
    own_left: Floats  # share of own cells left, by mass [1]
    donor_given: Floats  # haemoglobin given [g]
    donor_kept: Floats  # share of it not drawn straight off again; nan when none was given [1]
    deepest_deficit: Floats  # most blood out in excess of fluid in, 0 or more [mL]
    largest_excess: Floats  # most fluid in in excess of blood out, 0 or more [mL]
    lowest_hb: Floats  # of all moments, the start included [g/L]
    highest_hb: Floats  # [g/L]
    net_iron_mg: Floats  # [mg]
    end_balance: Floats  # all fluids, in less out [mL]
    step_hb: Floats  # after each step [g/L]
    step_hbs: Floats  # [%]
    step_balance: Floats  # [mL]
    step_own_left: Floats  # [1]


def run_many(
    *,
    blood_volume_ml: ArrayLike,
    hb_g_l: ArrayLike,
    hbs_pct: ArrayLike,
    in_ml: ArrayLike,
    out_ml: ArrayLike,
    cells_hb_g_l: ArrayLike,
    mixing: ArrayLike = 1.0,
    early_loss: ArrayLike = 0.0,
    iron_mg_per_g: float = IRON_MG_PER_G,
) -> ManyOutcomes:
    """Work out many sessions at once, exactly (formula and sources at the head of `wash`).

    blood_volume_ml, hb_g_l, hbs_pct : before the session, any shapes that broadcast to `lead`. [mL, g/L, %]
    in_ml, out_ml : fluid given and blood drawn in each step; last axis steps, the others broadcast to
        `lead`; 0 in both pads a shorter session. [mL]
    cells_hb_g_l : haemoglobin in the fluid of each step, 0 for saline; shaped like `in_ml`. [g/L]
    mixing : effective over formula blood volume, for `lead`. Rules Hb and HbS, never the balances. [1]
    early_loss : share of today's donor cells lost within a day; enters the settled values only. [1]
    iron_mg_per_g : iron in haemoglobin. [mg/g]

    A nan in any figure gives nan in what depends on it. Raises ValueError for figures below 0, infinite or
    out of range.
    """
    loss = np.asarray(early_loss, dtype=float)
    check_range("early_loss", loss, 0.0, MOST_EARLY_LOSS)
    sessions = gather(
        blood_volume_ml=blood_volume_ml,
        hb_g_l=hb_g_l,
        hbs_pct=hbs_pct,
        in_ml=in_ml,
        out_ml=out_ml,
        cells_hb_g_l=cells_hb_g_l,
        mixing=mixing,
        others=(loss,),
    )
    wash = trace(sessions)
    volume, hb, hbs, after = sessions.volume, sessions.hb, sessions.hbs, wash.after
    balance = np.cumsum(sessions.fluid_in - sessions.blood_out, axis=0)
    old = hb * wash.old_share
    step_hb = old + wash.fresh
    own_left = wash.old_share * (after / volume)
    with np.errstate(invalid="ignore", divide="ignore"):
        hbs_ratio = old / step_hb
        given = np.sum(sessions.fluid_in * sessions.cells_hb, axis=0) / 1000.0
        kept = wash.fresh[-1] * after[-1] / 1000.0 / np.where(given > 0.0, given, np.nan)
    settled_fresh = wash.fresh[-1] * (1.0 - loss)
    return ManyOutcomes(
        hb_end=step_hb[-1],
        hb_settled=(old[-1] + settled_fresh) * (after[-1] / volume),
        hbs=hbs * hbs_ratio[-1],
        hbs_settled=hbs * (old[-1] / (old[-1] + settled_fresh)),
        hbs_ratio=hbs_ratio[-1],
        own_left=own_left[-1],
        donor_given=given,
        donor_kept=kept,
        deepest_deficit=np.maximum(-balance.min(axis=0), 0.0),
        largest_excess=np.maximum(balance.max(axis=0), 0.0),
        lowest_hb=np.minimum(step_hb.min(axis=0), hb),
        highest_hb=np.maximum(step_hb.max(axis=0), hb),
        net_iron_mg=iron_mg_per_g * (step_hb[-1] * after[-1] - hb * volume) / 1000.0,
        end_balance=balance[-1],
        step_hb=np.moveaxis(step_hb, 0, -1),
        step_hbs=np.moveaxis(hbs * hbs_ratio, 0, -1),
        step_balance=np.moveaxis(balance, 0, -1),
        step_own_left=np.moveaxis(own_left, 0, -1),
    )


def run_steps(
    start: Start,
    steps: Sequence[Step],
    *,
    mixing: float = 1.0,
    early_loss: float = 0.0,
    iron_mg_per_g: float = IRON_MG_PER_G,
) -> SessionOutcome:
    """Work out one session; arguments, formula and errors as in `run_many`.

    Raises ValueError also when there is no step, when saline is said to hold haemoglobin or red cells none,
    when more blood would be drawn than there is, and when the weight is not above 0.
    """
    check_range("weight_kg", np.asarray(start.weight_kg, dtype=float), 0.0, np.inf, above_low=True)
    if not steps:
        raise ValueError("a session needs at least one step")
    for number, step in enumerate(steps, start=1):
        _check_fluid(number, step)
    given, drawn = np.array([s.in_ml for s in steps]), np.array([s.out_ml for s in steps])
    many = run_many(
        blood_volume_ml=start.blood_volume_ml,
        hb_g_l=start.hb_g_l,
        hbs_pct=start.hbs_pct,
        in_ml=given,
        out_ml=drawn,
        cells_hb_g_l=[s.hb_g_l for s in steps],
        mixing=mixing,
        early_loss=early_loss,
        iron_mg_per_g=iron_mg_per_g,
    )
    volume_ml = start.blood_volume_ml * mixing
    emptied = np.flatnonzero(volume_ml + many.step_balance <= 0.0)
    if emptied.size:
        raise ValueError(f"step {emptied[0] + 1} would draw more blood than there is ({volume_ml:.0f} mL)")
    cells_in = np.array([s.in_ml if s.fluid == "red_cells" else 0.0 for s in steps])
    return _one_outcome(start, many, np.cumsum(cells_in - drawn), volume_ml)


def _one_outcome(start: Start, many: ManyOutcomes, without_saline: Floats, volume_ml: float) -> SessionOutcome:
    own_share = min(start.hbs_pct / start.untransfused_pct, 1.0) if start.untransfused_pct > 0 else np.nan
    old_hb_g = start.hb_g_l * volume_ml * float(many.own_left) / 1000.0
    steps = tuple(
        StepState(float(hb), float(hbs), float(balance), float(cells), 100.0 * float(own))
        for hb, hbs, balance, cells, own in zip(
            many.step_hb, many.step_hbs, many.step_balance, without_saline, many.step_own_left, strict=True
        )
    )
    return SessionOutcome(
        blood_volume_ml=start.blood_volume_ml,
        hb_post_g_l=float(many.hb_end),
        hb_settled_g_l=float(many.hb_settled),
        hbs_post_pct=float(many.hbs),
        hbs_settled_pct=float(many.hbs_settled),
        own_cells_left_pct=100.0 * float(many.own_left),
        hbs_left_pct=100.0 * float(many.hbs_ratio),
        donor_hb_given_g=float(many.donor_given),
        donor_hb_kept_pct=100.0 * float(many.donor_kept),
        lowest_hb_g_l=float(many.lowest_hb),
        highest_hb_g_l=float(many.highest_hb),
        deepest_deficit_ml=float(many.deepest_deficit),
        deepest_deficit_ml_per_kg=float(many.deepest_deficit) / start.weight_kg,
        largest_excess_ml=float(many.largest_excess),
        end_balance_ml=float(many.end_balance),
        net_iron_mg=float(many.net_iron_mg),
        own_hb_g=own_share * old_hb_g,
        earlier_donor_hb_g=(1.0 - own_share) * old_hb_g,
        steps=steps,
    )


def _check_fluid(number: int, step: Step) -> None:
    if step.fluid == "saline" and step.hb_g_l != 0.0:
        raise ValueError(f"step {number}: saline holds no haemoglobin, but {step.hb_g_l:g} g/L was given")
    if step.fluid == "red_cells" and step.in_ml > 0.0 and not step.hb_g_l > 0.0:
        raise ValueError(f"step {number}: red cells need their haemoglobin in g/L, more than 0")
    if step.fluid not in ("saline", "red_cells"):
        raise ValueError(f"step {number}: fluid must be 'saline' or 'red_cells', not {step.fluid!r}")
