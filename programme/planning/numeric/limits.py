"""The limits a session has to keep, for many people at once, and the words that name each of them.

The values are site settings (`programme.core.numeric.setting_table`, where default, range and ground of each stand); a
person's own values may replace some. A warning is held by every plan that is suggested while any plan can hold it; a
stop is never passed.

Where the values come from: Hb after a session over 100 g/L with HbS high, Swerdlow PS, Hematology ASH Educ Program
2006:48-53; the stop at 120 g/L is haematocrit 0.36, Vichinsky E 2001; 110 g/L and the rise of 40 g/L a day are from
memory. The floor of 90 g/L with a brain, heart or lung flag has only the goal before sessions of DeBaun MR et al.,
Blood Adv 2020;4:1554-88, behind it, and saline first is off there because depletion before exchange is not advised in
acute states (Chou ST et al., Blood Adv 2020;4:327-55). A draw of 500 mL and 8 mL/kg lies under what is allowed in
healthy donors (13 to 15 % of the volume, UK donor guidelines 3.7); children 5 to 10 mL/kg a draw, Swerdlow 2006. No
published limit of saline was found.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from programme.core.numeric.setting_table import DEFAULTS
from programme.planning.numeric.one_arm import AT_ONCE
from sessions.day.numeric.volume_stops import SMALL_BODY_KG, blood_out_stop_ml, saline_stop_ml

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HIGH_HBS_PCT = 30.0  # over this after a session the lower Hb limit holds (Swerdlow 2006)

WORDS = {
    "hb_after": "Hb at the end and its peak",
    "rise": "rise of Hb in the day",
    "hb_floor": "lowest Hb on the way",
    "draw": "largest draw without return",
    "blood_out": "blood out in the session",
    "saline": "saline in the session",
    "balance": "fluid in over blood out",
    "units": "units in the session",
    "saline_first": "saline first",
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What a session of each person has to keep; every field an array [P]."""

    hb_after_warn_high_hbs_g_l: Floats  # when HbS after is over HIGH_HBS_PCT
    hb_after_warn_g_l: Floats
    hb_after_stop_g_l: Floats
    rise_stop_g_l: Floats
    hb_floor_warn_g_l: Floats
    hb_floor_stop_g_l: Floats
    draw_stop_ml: Floats
    blood_out_stop_ml: Floats
    saline_stop_ml: Floats
    balance_stop_ml: Floats
    units_most: Floats
    low_start_hb_g_l: Floats
    saline_first: Bools  # False where saline may not be the first step
    part_ml: Floats  # how much is drawn and then given in one arm, below 0 given first; inf in two arms (see `one_arm`)
    one_arm_part_ml: Floats  # what that is, or would be, in one arm

    def take(self, people: Any) -> "Limits":
        """The limits of these people only (indices or mask)."""
        return Limits(**{f.name: getattr(self, f.name)[people] for f in fields(self)})


def limits_for(
    *,
    weight_kg: ArrayLike,
    organ_flag: ArrayLike = False,
    hb_ceiling_g_l: ArrayLike = np.nan,
    hb_floor_g_l: ArrayLike = np.nan,
    rise_g_l: ArrayLike = np.nan,
    units_most: ArrayLike = np.nan,
    saline_first: ArrayLike = False,
    one_arm: ArrayLike = False,
    settings: Mapping[str, float] = DEFAULTS,
) -> Limits:
    """The limits of people from the site's settings and their own values.

    weight_kg : [kg], shape [P]; decides the limits by weight and whether those for a small body hold.
    organ_flag : brain-vessel, heart or lung-pressure disease, or an acute indication: the higher floor holds and
        saline first is off.
    hb_ceiling_g_l, hb_floor_g_l, rise_g_l, units_most : a person's own values, nan for the site's. A person's ceiling
        takes the place of the warning at HbS of 30 % or less, and lowers the other where it is lower. [g/L, units]
    saline_first : True where a prescriber turned saline first on in spite of the flag.
    one_arm : True where blood is drawn and then given back through the same arm. A part is a unit or the usual draw,
        inside the limit of a draw; who has a flag is given first, inside the limit of the balance, saline first or not.
    settings : site settings by name.

    Returns arrays [P]. Raises KeyError for a missing setting. Sources at the head of this module.
    """
    weight = np.atleast_1d(np.asarray(weight_kg, dtype=float))
    n = len(weight)
    flag = np.broadcast_to(np.asarray(organ_flag, dtype=bool), n)
    warn = _own(hb_ceiling_g_l, settings["hb_after_warn_g_l"], n)
    stop = np.maximum(settings["hb_after_stop_g_l"], warn)
    floor_stop = np.where(flag, settings["hb_floor_flagged_g_l"], settings["hb_floor_stop_g_l"])
    floor_warn = np.maximum(_own(hb_floor_g_l, settings["hb_floor_warn_g_l"], n), floor_stop)
    draw = draw_stop_of(weight, settings)
    first = ~flag | np.broadcast_to(np.asarray(saline_first, dtype=bool), n)
    part = _part(weight, draw, ~flag, settings)
    return Limits(
        hb_after_warn_high_hbs_g_l=np.minimum(settings["hb_after_warn_high_hbs_g_l"], warn),
        hb_after_warn_g_l=warn,
        hb_after_stop_g_l=stop,
        rise_stop_g_l=_own(rise_g_l, settings["hb_rise_stop_g_l"], n),
        hb_floor_warn_g_l=floor_warn,
        hb_floor_stop_g_l=floor_stop,
        draw_stop_ml=draw,
        blood_out_stop_ml=blood_out_stop_ml(weight, settings),
        saline_stop_ml=saline_stop_ml(weight, settings),
        balance_stop_ml=weight * settings["balance_stop_ml_per_kg"],
        units_most=np.floor(_own(units_most, settings["units_most"], n)),
        low_start_hb_g_l=np.full(n, settings["low_start_hb_g_l"]),
        saline_first=first,
        part_ml=np.where(one_arm, part, AT_ONCE),
        one_arm_part_ml=part,
    )


def draw_stop_of(weight_kg: ArrayLike, settings: Mapping[str, float]) -> Floats:
    """The largest draw without return, of the shape of `weight_kg`; less by weight for a small body. [mL]"""
    weight = np.asarray(weight_kg, dtype=float)
    return np.where(
        weight < SMALL_BODY_KG,
        weight * settings["child_draw_stop_ml_per_kg"],
        np.minimum(settings["single_draw_stop_ml"], weight * settings["single_draw_stop_ml_per_kg"]),
    )


def hb_after_warn(limits: Limits, hbs_after_pct: ArrayLike) -> Floats:
    """Hb at which a warning begins, by HbS after; `hbs_after_pct` broadcasts with people on its last axis. [g/L]"""
    high = np.asarray(hbs_after_pct, dtype=float) > HIGH_HBS_PCT
    return np.where(high, limits.hb_after_warn_high_hbs_g_l, limits.hb_after_warn_g_l)


def _part(weight: Floats, draw_ml: Floats, draws_first: Bools, settings: Mapping[str, float]) -> Floats:
    """The largest part of a one-arm session, whole in the site's rounding, signed as `Limits.part_ml`. [mL]"""
    step = settings["volume_rounding_ml"]
    usual = max(settings["draw_size_ml"], step * math.ceil(settings["unit_volume_ml"] / step))
    most = np.where(draws_first, draw_ml, weight * settings["balance_stop_ml_per_kg"])
    # One rounding is left free: what earlier steps gave too little or too much stands beside the part.
    part = np.maximum(np.floor((np.minimum(usual, most - step)) / step), 1.0) * step
    return np.where(draws_first, part, -part)


def _own(value: ArrayLike, site: float, n: int) -> Floats:
    own = np.broadcast_to(np.asarray(value, dtype=float), n)
    return np.where(np.isnan(own), site, own)
