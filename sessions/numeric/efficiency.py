"""What each session achieved for its blood, and whether it stands out.

Facts are worked out for many sessions at once. A figure that cannot be had is nan, and `missing_figures` says
in words which measurement it would need.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from programme.core.numeric.setting_table import DEFAULTS
from programme.core.numeric.words import listed
from sessions.numeric.exchange import IRON_MG_PER_G, run_many
from sessions.numeric.mixing import removal_ratio, removal_ratio_sd

Floats = NDArray[np.float64]

USUAL_RATIO, USUAL_RATIO_SD, USUAL_WORTH = 1.0, 0.16, 3.0
"""Removal ratio expected of someone without earlier sessions, its spread, and the number of sessions that
guess is worth against the person's own. Chosen here; not from a source."""

STANDS_OUT_SD = 2.5
"""Deviation from the person's own middle, in standard deviations, from which a session is named. Chosen here:
about one ordinary session in eighty."""

TREND_SESSIONS, TREND_LEAST = 6, 0.15
"""Fewest sessions, and least change of the removal ratio over them, for a trend to be named. Chosen here."""

MIXING = "incomplete mixing (fluid and blood through neighbouring places, or draws too soon after giving)"
EARLY_SAMPLE = "an after-sample taken too early or from a line with donor cells or saline in it"
VOLUMES = "volumes written down wrongly"
TUBE = "a wrong tube, or before and after mixed up"


@dataclass(frozen=True, slots=True)
class SessionEfficiency:
    """Facts of many sessions, arrays of shape lead; nan where a measurement is missing."""

    hbs_points_per_unit: Floats  # fall of HbS % for each unit given [points]
    removal_ratio: Floats  # own cells removed against the ideal for the same volumes, ratio of logs [1]
    removal_ratio_sd: Floats  # its error from measuring [1]
    donor_kept: Floats  # share of donor Hb not drawn straight off again, reckoned from the steps [1]
    net_iron_mg: Floats  # iron in given less iron in drawn haemoglobin, reckoned from the steps [mg]


@dataclass(frozen=True, slots=True)
class StandingOut:
    """A session that differs from this person's others."""

    sentence: str
    causes: tuple[str, ...]  # to look at in this order
    deviation_sd: float  # negative: removed less than usual


def session_efficiency(
    *,
    blood_volume_ml: ArrayLike,
    hb_before_g_l: ArrayLike,
    hb_after_g_l: ArrayLike,
    hbs_before_pct: ArrayLike,
    hbs_after_pct: ArrayLike,
    units: ArrayLike,
    in_ml: ArrayLike,
    out_ml: ArrayLike,
    cells_hb_g_l: ArrayLike,
    hb_sd_g_l: ArrayLike = DEFAULTS["hb_assay_sd_g_l"],
    hbs_sd_pct: ArrayLike = DEFAULTS["hbs_assay_sd_pct"],
    iron_mg_per_g: float = IRON_MG_PER_G,
) -> SessionEfficiency:
    """Facts of each session at the *formula* blood volume.

    blood_volume_ml [mL], Hb [g/L], HbS [%] and units [count] of shape lead, measured, nan where missing; the
    steps as in `exchange.run_many` (`totals.steps_of_totals` where only totals are known); the SDs of one
    measurement. Net iron is 3.4 mg/g × (Hb in − Hb out); the removal ratio is explained in `mixing`.
    """
    steps = {"in_ml": in_ml, "out_ml": out_ml}
    measured = {
        "hb_before_g_l": hb_before_g_l,
        "hb_after_g_l": hb_after_g_l,
        "hbs_before_pct": hbs_before_pct,
        "hbs_after_pct": hbs_after_pct,
    }
    many = run_many(
        blood_volume_ml=blood_volume_ml,
        hb_g_l=hb_before_g_l,
        hbs_pct=100.0,
        cells_hb_g_l=cells_hb_g_l,
        iron_mg_per_g=iron_mg_per_g,
        **steps,
    )
    fall = np.asarray(hbs_before_pct, dtype=float) - np.asarray(hbs_after_pct, dtype=float)
    count = np.asarray(units, dtype=float)
    return SessionEfficiency(
        hbs_points_per_unit=fall / np.where(count > 0.0, count, np.nan),
        removal_ratio=removal_ratio(blood_volume_ml=blood_volume_ml, **steps, **measured),
        removal_ratio_sd=removal_ratio_sd(
            blood_volume_ml=blood_volume_ml, hb_sd_g_l=hb_sd_g_l, hbs_sd_pct=hbs_sd_pct, **steps, **measured
        ),
        donor_kept=many.donor_kept,
        net_iron_mg=many.net_iron_mg,
    )


def missing_figures(
    *,
    blood_volume_ml: float = np.nan,
    hb_before_g_l: float = np.nan,
    hb_after_g_l: float = np.nan,
    hbs_before_pct: float = np.nan,
    hbs_after_pct: float = np.nan,
    units: float = np.nan,
    fluid_in_ml: float = np.nan,
    blood_out_ml: float = np.nan,
) -> tuple[str, ...]:
    """For one session, a sentence for each fact that cannot be worked out; nan is a missing figure. Empty
    when all can.

    fluid_in_ml is red cells and saline together, nan when either is not known.
    """
    words = {
        "HbS before": hbs_before_pct,
        "HbS after": hbs_after_pct,
        "Hb before": hb_before_g_l,
        "Hb after": hb_after_g_l,
        "the number of units": units,
        "the volumes given": fluid_in_ml,
        "the blood drawn": blood_out_ml,
        "the blood volume (height and weight)": blood_volume_ml,
    }
    volumes = ("Hb before", "the volumes given", "the blood drawn", "the blood volume (height and weight)")
    needs = {
        "HbS points for each unit": ("HbS before", "HbS after", "the number of units"),
        "Share of own cells removed": ("HbS before", "HbS after", "Hb after", *volumes),
        "Donor haemoglobin kept": volumes,
        "Net iron": volumes,
    }
    sentences = []
    for fact, wanted in needs.items():
        absent = [word for word in wanted if np.isnan(words[word])]
        if absent:
            sentences.append(f"{fact} cannot be worked out: {listed(absent)} {_be(absent)} missing.")
    return tuple(sentences)


def standing_out(
    *,
    ratio: float,
    ratio_sd: float,
    earlier_ratios: ArrayLike,
    usual_ratio: float = USUAL_RATIO,
    usual_sd: float = USUAL_RATIO_SD,
) -> StandingOut | None:
    """Whether a session's removal ratio differs from this person's own, in words, with likely causes in
    order.

    ratio, ratio_sd : of the session, from `session_efficiency`. [1]
    earlier_ratios : of the person's earlier sessions, nan where unknown. [1]
    usual_ratio, usual_sd : what to expect of someone without any, such as the site's centre and spread. [1]
    Returns None when it does not stand out or is not known. Middle and spread are the median and the scaled
    median deviation of the earlier sessions, mixed with the usual ones; chosen here, not from a source.
    """
    if np.isnan(ratio) or np.isnan(ratio_sd):
        return None
    earlier = np.asarray(earlier_ratios, dtype=float)
    earlier = earlier[np.isfinite(earlier)]
    middle, spread = _own_spread(earlier, usual_ratio, usual_sd)
    deviation = (ratio - middle) / np.hypot(max(spread, ratio_sd), spread / np.sqrt(earlier.size + USUAL_WORTH))
    if abs(deviation) < STANDS_OUT_SD:
        return None
    causes = _causes(ratio, low=deviation < 0.0)
    compared = (
        f"the middle of this person's {earlier.size} earlier sessions is {np.median(earlier):.0%}"
        if earlier.size
        else f"{usual_ratio:.0%} is usual, and this person has no earlier session"
    ).replace("%", " %")
    removed = f"removed {ratio:.0%}".replace("%", " %") if ratio > 0.0 else "seems to have removed none"
    sentence = (
        f"This session {removed} of the own cells that its volumes should remove; {compared}. "
        f"Likely causes, in this order: {'; '.join(causes)}."
    )
    return StandingOut(sentence, causes, float(deviation))


def removal_trend(*, day: ArrayLike, ratio: ArrayLike, ratio_sd: ArrayLike) -> str | None:
    """Whether one person's removal ratios have been falling or rising, in words; None when they have not, or
    cannot say.

    day : of each session, any zero. [d]
    ratio, ratio_sd : of each session, nan where unknown. [1]
    A straight line by weighted least squares, its error widened when the sessions spread more than they were
    measured to; named from `STANDS_OUT_SD` errors and `TREND_LEAST` of change over the sessions, with at
    least `TREND_SESSIONS`. Chosen here; not from a source.
    """
    days, ratios, errors = (np.asarray(value, dtype=float) for value in (day, ratio, ratio_sd))
    known = np.isfinite(days) & np.isfinite(ratios) & (errors > 0.0)
    days, ratios, weight = days[known], ratios[known], 1.0 / errors[known] ** 2
    if days.size < TREND_SESSIONS or np.ptp(days) == 0.0:
        return None
    mean_day, mean_ratio = np.average(days, weights=weight), np.average(ratios, weights=weight)
    leverage = np.sum(weight * (days - mean_day) ** 2)
    slope = np.sum(weight * (days - mean_day) * (ratios - mean_ratio)) / leverage
    line = mean_ratio + slope * (days - mean_day)
    excess = max(float(np.sum(weight * (ratios - line) ** 2)) / (days.size - 2), 1.0)
    first, last = line[np.argmin(days)], line[np.argmax(days)]
    if abs(slope) < STANDS_OUT_SD * np.sqrt(excess / leverage) or abs(last - first) < TREND_LEAST:
        return None
    verb = "fallen" if slope < 0.0 else "risen"
    look = f" Look first at {MIXING}." if slope < 0.0 else ""
    sentence = f"Over {days.size} sessions in {np.ptp(days):.0f} days the share of own cells removed has {verb} "
    return sentence + f"from {first:.0%} to {last:.0%} of what the volumes should remove.".replace("%", " %") + look


def _own_spread(earlier: Floats, usual_ratio: float, usual_sd: float) -> tuple[float, float]:
    if not earlier.size:
        return usual_ratio, usual_sd
    median = float(np.median(earlier))
    own_sd = 1.4826 * float(np.median(np.abs(earlier - median)))
    total = earlier.size + USUAL_WORTH
    variance = (earlier.size * own_sd**2 + USUAL_WORTH * usual_sd**2) / total
    return (earlier.size * median + USUAL_WORTH * usual_ratio) / total, float(np.sqrt(variance))


def _causes(ratio: float, *, low: bool) -> tuple[str, ...]:
    """Causes to look at, likeliest first: too little removed, nothing removed at all, too much removed."""
    if ratio <= 0.0:
        return (TUBE, EARLY_SAMPLE, VOLUMES, MIXING)
    if low:
        return (MIXING, EARLY_SAMPLE, VOLUMES, TUBE)
    return (EARLY_SAMPLE, VOLUMES, TUBE)


def _be(words: list[str]) -> str:
    return "are" if len(words) > 1 or words[0] == "the volumes given" else "is"
