"""Sessions of which only totals are known, as paper records and spreadsheets keep them.

Totals do not tell the order. They are read as the usual one: saline first, red cells after, blood leaving throughout
in proportion to what enters. Measured over 3,000 made-up sessions of 1.8 to 6 L and one to six units, the HbS ratio is
really 0.5 to 1 % lower when blood is drawn before anything is given (up to 5 % in someone small), and 3.5 % higher
when saline came last (up to 11 %); own cells left differ by 1 % (up to 3 %). `ORDER_REL_SD` carries that.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from programme.core.numeric.setting_table import DEFAULTS
from sessions.numeric.exchange import run_many
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD, outcome_spread

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ORDER_REL_SD = 0.015
"""Relative error of the HbS ratio from an unknown order, see above. Chosen here; not from a source."""

ASSUMED_SALINE_REL_SD = 0.02
"""Further relative error where saline was not written down and the session is taken as level. Chosen here."""

UNIT_HB_G_L_SEEN = (100.0, 300.0)
"""Red cells outside this contradict their own volume or number; the volume is believed then. Chosen here.
[g/L]"""

ROWS_AT_ONCE = 32_768
"""Rows worked out together, so that the arrays in between stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class StepsOfTotals:
    """Totals as two steps, in the form `exchange.run_many` takes; shape lead + (2,)."""

    in_ml: Floats
    out_ml: Floats
    cells_hb_g_l: Floats
    saline_assumed: Bools  # shape lead: saline was not known, the session is taken as level


@dataclass(frozen=True, slots=True)
class Reckoned:
    """What the totals of each session must have done; arrays of shape lead, nan where a figure is missing."""

    hbs_ratio: Floats  # HbS % after over before [1]
    hbs_ratio_sd: Floats
    own_left: Floats  # share of own cells left, by mass [1]
    hb_end_g_l: Floats
    hb_settled_g_l: Floats
    hb_settled_sd_g_l: Floats
    donor_given_g: Floats
    donor_kept: Floats  # [1]
    net_iron_mg: Floats
    saline_assumed: Bools


def steps_of_totals(
    *,
    saline_in_ml: ArrayLike,
    red_cells_in_ml: ArrayLike,
    blood_out_ml: ArrayLike,
    units: ArrayLike = np.nan,
    unit_hb_g: float = DEFAULTS["unit_hb_g"],
    unit_volume_ml: float = DEFAULTS["unit_volume_ml"],
) -> StepsOfTotals:
    """Totals as saline first and red cells after, blood out in proportion.

    saline_in_ml, red_cells_in_ml, blood_out_ml [mL] and units [count] broadcast together; nan where not
    known. Missing red cells are `units` times `unit_volume_ml`; their haemoglobin is `units` times
    `unit_hb_g` [g], or goes by volume where the number is missing or contradicts it. Missing saline is what
    makes the session level.
    """
    saline, cells, out, count = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (saline_in_ml, red_cells_in_ml, blood_out_ml, units))
    )
    cells = np.where(np.isnan(cells), count * unit_volume_ml, cells)
    assumed = np.isnan(saline) & ~np.isnan(cells) & ~np.isnan(out)
    saline = np.where(assumed, np.maximum(out - cells, 0.0), saline)
    fluid = saline + cells
    by_volume = 1000.0 * unit_hb_g / unit_volume_ml
    with np.errstate(divide="ignore", invalid="ignore"):
        by_count = 1000.0 * count * unit_hb_g / cells
        saline_share = np.where(fluid > 0.0, saline / fluid, np.where(fluid == 0.0, 1.0, np.nan))
    low, high = UNIT_HB_G_L_SEEN
    cells_hb = np.where((by_count >= low) & (by_count <= high), by_count, by_volume)
    return StepsOfTotals(
        in_ml=np.stack([saline, cells], axis=-1),
        out_ml=np.stack([out * saline_share, out * (1.0 - saline_share)], axis=-1),
        cells_hb_g_l=np.stack([np.zeros_like(cells_hb), cells_hb], axis=-1),
        saline_assumed=np.asarray(assumed),
    )


def reckon_totals(
    *,
    blood_volume_ml: ArrayLike,
    hb_before_g_l: ArrayLike,
    saline_in_ml: ArrayLike,
    red_cells_in_ml: ArrayLike,
    blood_out_ml: ArrayLike,
    units: ArrayLike = np.nan,
    mixing: ArrayLike = 1.0,
    blood_volume_rel_sd: ArrayLike = BLOOD_VOLUME_REL_SD,
    hb_before_sd_g_l: ArrayLike = DEFAULTS["hb_assay_sd_g_l"],
    unit_hb_g: float = DEFAULTS["unit_hb_g"],
    unit_volume_ml: float = DEFAULTS["unit_volume_ml"],
) -> Reckoned:
    """Work out sessions from their totals: a million rows in seconds.

    All arguments broadcast together, as in `steps_of_totals` and `uncertainty`; Hb
    before may be a typical value where it was not measured, if `hb_before_sd_g_l` says how wide that is.
    Raises ValueError for figures below 0 or infinite. nan in the results where a figure it needs is missing
    or more blood was drawn than there is.
    """
    given = {
        "blood_volume_ml": blood_volume_ml,
        "hb_before_g_l": hb_before_g_l,
        "saline_in_ml": saline_in_ml,
        "red_cells_in_ml": red_cells_in_ml,
        "blood_out_ml": blood_out_ml,
        "units": units,
        "mixing": mixing,
        "blood_volume_rel_sd": blood_volume_rel_sd,
        "hb_before_sd_g_l": hb_before_sd_g_l,
    }
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in given.values()))
    shape = arrays[0].shape
    columns = dict(zip(given, (array.reshape(-1) for array in arrays), strict=True))
    parts = [
        _reckon({name: column[at : at + ROWS_AT_ONCE] for name, column in columns.items()}, unit_hb_g, unit_volume_ml)
        for at in range(0, max(arrays[0].size, 1), ROWS_AT_ONCE)
    ]
    joined = {
        field.name: np.concatenate([getattr(part, field.name) for part in parts]).reshape(shape)
        for field in fields(Reckoned)
    }
    return Reckoned(**joined)


def _reckon(columns: dict[str, Floats], unit_hb_g: float, unit_volume_ml: float) -> Reckoned:
    totals = steps_of_totals(
        saline_in_ml=columns["saline_in_ml"],
        red_cells_in_ml=columns["red_cells_in_ml"],
        blood_out_ml=columns["blood_out_ml"],
        units=columns["units"],
        unit_hb_g=unit_hb_g,
        unit_volume_ml=unit_volume_ml,
    )
    volume, hb, mixing = columns["blood_volume_ml"], columns["hb_before_g_l"], columns["mixing"]
    many = run_many(
        blood_volume_ml=volume,
        hb_g_l=hb,
        hbs_pct=100.0,
        in_ml=totals.in_ml,
        out_ml=totals.out_ml,
        cells_hb_g_l=totals.cells_hb_g_l,
        mixing=mixing,
    )
    spread = outcome_spread(
        blood_volume_ml=volume,
        hb_g_l=hb,
        hbs_pct=100.0,
        in_ml=totals.in_ml,
        out_ml=totals.out_ml,
        cells_hb_g_l=totals.cells_hb_g_l,
        mixing=mixing,
        blood_volume_rel_sd=columns["blood_volume_rel_sd"],
        unit_hb_g=unit_hb_g,
        hb_sd_g_l=columns["hb_before_sd_g_l"],
        hbs_sd_pct=0.0,
    )
    unknown = np.hypot(ORDER_REL_SD, np.where(totals.saline_assumed, ASSUMED_SALINE_REL_SD, 0.0))
    return Reckoned(
        hbs_ratio=many.hbs_ratio,
        hbs_ratio_sd=np.hypot(spread.hbs_ratio, unknown * many.hbs_ratio),
        own_left=many.own_left,
        hb_end_g_l=many.hb_end,
        hb_settled_g_l=many.hb_settled,
        hb_settled_sd_g_l=np.hypot(spread.hb_settled, unknown * many.hb_settled),
        donor_given_g=many.donor_given,
        donor_kept=many.donor_kept,
        net_iron_mg=many.net_iron_mg,
        saline_assumed=totals.saline_assumed,
    )
