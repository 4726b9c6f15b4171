"""One exchange session, step by step, in a well-mixed blood volume.

During a step `in_ml` of fluid enters and `out_ml` of blood leaves, both at steady rates. With V the volume, C the
concentration of haemoglobin in it and c that of the fluid (0 for saline), mass balance gives V·dC = in·(c − C), so

    C₁ = c + (C₀ − c)·e^(−in·L),        L = ln(V₁/V₀) / (V₁ − V₀),        V₁ = V₀ + in − out,

and of whatever was there before the step, by mass, e^(−out·L) is left. L is one over the (logarithmic) mean volume: 1/V
when the volume is level. Bleeding only (in = 0) and giving only (out = 0) are limits of the same two lines, so a one-arm
session is simply written as steps that draw and steps that give.

Extremes need no search inside a step: C moves from C₀ towards c without turning and the balance is a straight line, so
both are greatest and smallest at the start of the session or at the end of a step.

Haemoglobin is kept in three pools: the person's own, that of earlier donors, and that of today's donors. The blood drawn
does not choose between the first two, so the same share of each is left, and that share is also the share of HbS left by
mass. The split between them is needed for the amounts only, never for what the session does.

Sources: continuous wash-out and its mirror image, Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74; isotope check of
the theory, Blood 1950;5:925 and 938. The form for volumes that are not level follows from the balance above.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

UNIT_HB_G = 50.0
"""Haemoglobin in one unit of red cells [g]: 50 ± 5 measured, Australian Red Cross Lifeblood, July–December 2022."""

UNIT_VOLUME_ML = 258.0
"""Volume of one unit of red cells [mL]: 258 ± 15 measured, same source."""

UNIT_HB_G_L = 1000.0 * UNIT_HB_G / UNIT_VOLUME_ML
"""Haemoglobin concentration in a unit of red cells [g/L]."""

IRON_MG_PER_G = 3.4
"""Iron in haemoglobin [mg/g]: trade figure; four iron atoms in a tetramer of 64,458 g/mol give 3.47."""

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
    untransfused_pct : that share in the person's own cells, which tells own from earlier donors' haemoglobin; nan when
        unknown. [%]
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


def inverse_mean_volume(volume_ml: ArrayLike, change_ml: ArrayLike) -> Floats:
    """One over the logarithmic mean of the volume during a step, L = ln(1 + change/volume)/change.

    volume_ml, change_ml : volume before the step and in less out, broadcast together. [mL]
    Returns L [1/mL], 1/volume where the change is 0; nan where the volume would not stay above 0.
    """
    before = np.asarray(volume_ml, dtype=float)
    relative = np.asarray(change_ml, dtype=float) / before
    level = relative == 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.log1p(relative) / np.where(level, 1.0, relative)
        mean = np.where(level, 1.0, mean) / before
    return np.where(relative > -1.0, mean, np.nan)


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
    """Work out many sessions at once, exactly (formula and sources at the head of this module).

    blood_volume_ml, hb_g_l, hbs_pct : before the session, any shapes that broadcast to `lead`. [mL, g/L, %]
    in_ml, out_ml : fluid given and blood drawn in each step; last axis steps, the others broadcast to `lead`; 0 in both
        pads a shorter session. [mL]
    cells_hb_g_l : haemoglobin in the fluid of each step, 0 for saline; shaped like `in_ml`. [g/L]
    mixing : effective over formula blood volume, for `lead`. Rules Hb and HbS, never the balances. [1]
    early_loss : share of today's donor cells lost within a day; enters the settled values only. [1]
    iron_mg_per_g : iron in haemoglobin. [mg/g]

    A nan in any figure gives nan in what depends on it. Raises ValueError for figures below 0, infinite or out of range.
    """
    volume, hb, hbs, mix, loss = (
        np.asarray(value, dtype=float) for value in (blood_volume_ml, hb_g_l, hbs_pct, mixing, early_loss)
    )
    fluid_in, blood_out, cells_hb = (np.asarray(value, dtype=float) for value in (in_ml, out_ml, cells_hb_g_l))
    _check_start(volume, hb, hbs, mix, loss)
    _check_steps(fluid_in, blood_out, cells_hb)
    lead = np.broadcast_shapes(volume.shape, hb.shape, hbs.shape, mix.shape, loss.shape)
    shape = np.broadcast_shapes(lead + (1,), fluid_in.shape, blood_out.shape, cells_hb.shape)
    hb, hbs = np.broadcast_to(hb, shape[:-1]), np.broadcast_to(hbs, shape[:-1])
    fluid_in, blood_out, cells_hb = (_steps_first(value, shape) for value in (fluid_in, blood_out, cells_hb))

    effective = np.broadcast_to(volume * mix, shape[:-1])
    balance = np.cumsum(fluid_in - blood_out, axis=0)
    after = effective + balance
    before = np.concatenate([effective[None], after[:-1]])
    old_share, fresh = _wash(before, fluid_in, fluid_in - blood_out, cells_hb)

    old = hb * old_share
    step_hb = old + fresh
    own_left = old_share * (after / effective)
    with np.errstate(invalid="ignore", divide="ignore"):
        hbs_ratio = hb * old_share / step_hb
        given = np.sum(fluid_in * cells_hb, axis=0) / 1000.0
        kept = fresh[-1] * after[-1] / 1000.0 / np.where(given > 0.0, given, np.nan)
    settled_fresh = fresh[-1] * (1.0 - loss)
    return ManyOutcomes(
        hb_end=step_hb[-1],
        hb_settled=(old[-1] + settled_fresh) * (after[-1] / effective),
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
        net_iron_mg=iron_mg_per_g * (step_hb[-1] * after[-1] - hb * effective) / 1000.0,
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

    Raises ValueError also when there is no step, when saline is said to hold haemoglobin or red cells none, and when more
    blood would be drawn than there is.
    """
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
    emptied = np.flatnonzero(start.blood_volume_ml * mixing + many.step_balance <= 0.0)
    if emptied.size:
        raise ValueError(f"step {emptied[0] + 1} would draw more blood than there is ({start.blood_volume_ml:g} mL)")
    cells_in = np.array([s.in_ml if s.fluid == "red_cells" else 0.0 for s in steps])
    return _one_outcome(start, many, np.cumsum(cells_in - drawn), start.blood_volume_ml * mixing)


def _wash(before: Floats, fluid_in: Floats, change: Floats, cells_hb: Floats) -> tuple[Floats, Floats]:
    """After each step, steps first: concentration of what was there at the start, as a share of that at the start, and
    concentration of today's donor haemoglobin [g/L]."""
    turnover = np.expm1(-fluid_in * inverse_mean_volume(before, change))
    old_share = np.cumprod(1.0 + turnover, axis=0)
    fresh = np.empty_like(turnover)
    held: Floats | float = 0.0
    for step, turned in enumerate(turnover):
        held = held + (held - cells_hb[step]) * turned
        fresh[step] = held
    return old_share, fresh


def _steps_first(values: Floats, shape: tuple[int, ...]) -> Floats:
    """The array with its steps on the first axis and its rows together in memory, which is what makes bulk runs fast."""
    return np.ascontiguousarray(np.moveaxis(np.broadcast_to(values, shape), -1, 0))


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


def _check_start(volume: Floats, hb: Floats, hbs: Floats, mixing: Floats, early_loss: Floats) -> None:
    _check_range("blood_volume_ml", volume, 0.0, np.inf, above_low=True)
    _check_range("hb_g_l", hb, 0.0, np.inf, above_low=True)
    _check_range("hbs_pct", hbs, 0.0, 100.0)
    _check_range("mixing", mixing, 0.0, np.inf, above_low=True)
    _check_range("early_loss", early_loss, 0.0, MOST_EARLY_LOSS)


def _check_steps(fluid_in: Floats, blood_out: Floats, cells_hb: Floats) -> None:
    for name, values in (("in_ml", fluid_in), ("out_ml", blood_out), ("cells_hb_g_l", cells_hb)):
        if values.ndim == 0 or values.shape[-1] == 0:
            raise ValueError(f"{name} needs a last axis with at least one step, but has shape {values.shape}")
        _check_range(name, values, 0.0, np.inf)


def _check_range(name: str, values: Floats, low: float, high: float, *, above_low: bool = False) -> None:
    """Refuse infinite values and values outside [low, high], or (low, high] with `above_low`; nan passes."""
    too_low = values <= low if above_low else values < low
    wrong = too_low | (values > high) | np.isinf(values)
    if wrong.any():
        lower = f"more than {low:g}" if above_low else f"at least {low:g}"
        upper = "" if np.isinf(high) else f" and at most {high:g}"
        raise ValueError(f"{name} must be finite, {lower}{upper}, but holds {values[wrong].flat[0]:g}")
