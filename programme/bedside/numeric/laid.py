"""A session laid out by hand and what is found of it, as plain values."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from programme.planning.numeric.search import UNFAVOURABLE_TENTH

SETTING_OF = {
    "hb_after": "hard_hb_after", "rise": "hard_hb_rise", "hb_floor": "hard_hb_floor", "draw": "hard_single_draw",
    "blood_out": "hard_blood_out", "saline": "hard_saline", "balance": "hard_balance",
}  # fmt: skip
"""The site setting that says whether the stop of a limit can be passed; limits without one can, with a reason."""

STORED_PLACES = 4
"""Of a figure that a plan stores: more than any page prints, so that none is rounded twice (96.46, 96.5, 97)."""

FOR_GOOD_SHARE = 0.5
"""Of a last draw: so much short at the end is no rounding of earlier volumes. Chosen here; not from a source."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What a session is judged from. mixing: effective over formula volume. [kg, mL, g/L, %, points, g]"""

    weight_kg: float
    blood_volume_ml: float
    mixing: float
    mixing_rel_sd: float
    hb_g_l: float
    hb_sd_g_l: float
    hbs_pct: float
    hbs_sd_pct: float
    unit_volume_ml: float
    unit_hb_g: float
    early_loss: float
    iron_mg_per_g: float
    draw_ml: float
    rounding_ml: float

    @property
    def unit_hb_g_l(self) -> float:
        return 1000.0 * self.unit_hb_g / self.unit_volume_ml


@dataclass(frozen=True, slots=True)
class Laid:
    """One step as laid out: fluid in and blood out, either may be nothing. hb_g_l: of the fluid, 0 for saline."""

    fluid: str
    in_ml: float
    out_ml: float
    hb_g_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Eight in ten of what is reckoned lie from p10 to p90."""

    p50: float
    p10: float
    p90: float

    def stored(self) -> list[float]:
        """As a plan stores it: middle, low, high."""
        return [round(value, STORED_PLACES) for value in (self.p50, self.p10, self.p90)]


@dataclass(frozen=True, slots=True)
class Moment:
    """Where one step leaves the person. units: places of the donor units given in it; draws: the bags of blood [mL]."""

    laid: Laid
    units: tuple[int, ...]
    draws: tuple[float, ...]
    hb_g_l: Spread
    hbs_pct: Spread
    balance_ml: float
    balance_without_saline_ml: float


@dataclass(frozen=True, slots=True)
class LimitFound:
    """A limit, how far the session goes, and whether its stop can be passed. state: 'ok', 'warn' or 'stop'."""

    name: str
    words: str
    reached: float
    allowed: float
    unit: str
    state: str
    hard: bool = False

    def stored(self) -> dict[str, Any]:
        """As a plan stores it."""
        return {
            "name": self.name, "words": self.words, "reached": round(self.reached, STORED_PLACES),
            "allowed": round(self.allowed, STORED_PLACES), "unit": self.unit, "state": self.state, "hard": self.hard,
            "setting": SETTING_OF.get(self.name, ""),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judged:
    """A whole session. hb_settled, hbs: as it ends, volume back at the blood volume; deepest, highest: balance [mL]."""

    moments: tuple[Moment, ...]
    units: int
    hb_settled: Spread
    hb_end_g_l: float
    hbs: Spread
    own_left_pct: float
    donor_kept_pct: float
    net_iron_mg: float
    deepest_ml: float
    highest_ml: float
    limits: tuple[LimitFound, ...]


def units_of(steps: Sequence[Laid], unit_volume_ml: float) -> list[tuple[int, ...]]:
    """Return the places of the donor units given in each step, as volumes fill one unit after another."""
    places: list[tuple[int, ...]] = []
    given = 0.0
    for step in steps:
        if step.fluid == "saline" or step.in_ml <= 0.0:
            places.append(())
            continue
        first = math.floor(given / unit_volume_ml + 0.05)
        given += step.in_ml
        last = max(math.ceil(given / unit_volume_ml - 0.05), first + 1)
        places.append(tuple(range(first + 1, last + 1)))
    return places


def apart(steps: Sequence[Laid], *, gives_first: bool) -> tuple[Laid, ...]:
    """Return the steps as they go through one arm: one that holds both is given and drawn by itself.

    Drawn first, as the planner lays it out; given first where the person is not to be left short of volume.
    """
    found: list[Laid] = []
    for step in steps:
        if step.in_ml <= 0.0 or step.out_ml <= 0.0:
            found.append(step)
            continue
        both = [Laid("saline", 0.0, step.out_ml), replace(step, out_ml=0.0)]
        found += both[::-1] if gives_first else both
    return tuple(found)


def spread(middle: float, sd: float, *, most: float = math.inf) -> Spread:
    """A normal spread of this middle and standard deviation, not under 0 and not over `most`."""
    return Spread(middle, max(middle - UNFAVOURABLE_TENTH * sd, 0.0), min(middle + UNFAVOURABLE_TENTH * sd, most))


def drawn_for_good(ends_ml: float, last_draw_ml: float) -> bool:
    """Whether a plan that ends at the balance `ends_ml` gives nothing back for a last draw of so much. [mL]"""
    return last_draw_ml > 0.0 and ends_ml <= -FOR_GOOD_SHARE * last_draw_ml
