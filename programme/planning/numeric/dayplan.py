"""What is planned for one person on one day, as plain values."""

from dataclasses import dataclass

from programme.planning.numeric.details import LimitRow, UnitsRow
from programme.planning.numeric.search import UNFAVOURABLE_TENTH


@dataclass(frozen=True, slots=True)
class Spread:
    """A predicted figure: nine in ten lie over p10, half over p50, one in ten over p90."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class DayStep:
    """One step in order. Nothing in: blood is only drawn; nothing out: fluid is only given.

    fluid : 'saline' or 'red_cells' ('saline' with in_ml 0 where blood is only drawn). fluid_hb_g_l : of what is given,
    0 for saline. hb_g_l, hbs_pct, balance_ml : as the step ends, medians; balance of all fluids since the start.
    """

    number: int
    fluid: str
    in_ml: float
    out_ml: float
    fluid_hb_g_l: float
    hb_g_l: float
    hbs_pct: float
    balance_ml: float


@dataclass(frozen=True, slots=True)
class SeriesDay:
    """One session of a series on consecutive open days. day : ordinal."""

    day: int
    units: int
    saline_ml: float
    red_cells_ml: float
    blood_out_ml: float
    hb_before_g_l: float
    hbs_before_pct: float
    hb_after_g_l: float
    hbs_after_pct: float


@dataclass(frozen=True, slots=True)
class DayPlan:
    """What to give one person on one day; `steps` is empty for an automated session.

    status : 'ok', or 'unavailable' with `reason`, and then all figures are nan and all rows empty. standing : 'ok',
    'warn' where a warning limit is passed (a prescriber gives the reason), 'none' where no session keeps every limit.
    interval_after_days : what the end target holds. limits, marginal, alternatives : as beside a suggestion.
    series : the sessions on consecutive open days, this one first, where one does not reach the end target.
    working : (words, figure with its unit, ground) a line.
    """

    status: str
    reason: str
    method: str
    standing: str
    reached: bool
    day: int
    end_target_pct: float
    interval_after_days: int
    blood_volume_ml: float
    mixing: float
    hb_before_g_l: float
    hb_before_sd_g_l: float
    hbs_before_pct: float
    hbs_before_sd_pct: float
    mixing_rel_sd: float
    units: int
    saline_ml: float
    red_cells_ml: float
    blood_out_ml: float
    steps: tuple[DayStep, ...]
    hbs_after_pct: Spread
    hb_after_g_l: Spread  # settled
    highest_hb_g_l: float  # unfavourable tenth, as in the next two
    lowest_hb_g_l: float
    rise_g_l: float
    deepest_deficit_ml: float
    largest_excess_ml: float
    net_iron_mg: float
    limits: tuple[LimitRow, ...]
    marginal: tuple[UnitsRow, ...]
    alternatives: tuple[tuple[str, str], ...]
    series: tuple[SeriesDay, ...]
    warnings: tuple[str, ...]
    working: tuple[tuple[str, str, str], ...]


def spread(median: float, sd: float) -> Spread:
    """A normal spread of this middle and standard deviation."""
    return Spread(median - UNFAVOURABLE_TENTH * sd, median, median + UNFAVOURABLE_TENTH * sd)


def unavailable(reason: str, method: str, day: int) -> DayPlan:
    """A plan that says only why there is none."""
    nan = float("nan")
    none = Spread(nan, nan, nan)
    return DayPlan(
        status="unavailable",
        reason=reason,
        method=method,
        standing="none",
        reached=False,
        day=day,
        end_target_pct=nan,
        interval_after_days=0,
        blood_volume_ml=nan,
        mixing=nan,
        hb_before_g_l=nan,
        hb_before_sd_g_l=nan,
        hbs_before_pct=nan,
        hbs_before_sd_pct=nan,
        mixing_rel_sd=nan,
        units=0,
        saline_ml=nan,
        red_cells_ml=nan,
        blood_out_ml=nan,
        steps=(),
        hbs_after_pct=none,
        hb_after_g_l=none,
        highest_hb_g_l=nan,
        lowest_hb_g_l=nan,
        rise_g_l=nan,
        deepest_deficit_ml=nan,
        largest_excess_ml=nan,
        net_iron_mg=nan,
        limits=(),
        marginal=(),
        alternatives=(),
        series=(),
        warnings=(),
        working=(),
    )
