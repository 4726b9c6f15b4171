"""After a session: what the volumes should have done against what was measured, and what to do where Hb is too high."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from sessions.numeric.efficiency import EARLY_SAMPLE, MIXING, TUBE, VOLUMES
from sessions.numeric.exchange import run_many
from sessions.numeric.mixing import SESSION_PRIOR_SD
from sessions.numeric.smallvolumes import level_bleed
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD, outcome_spread

Z90 = 1.2815515655446004  # of the standard normal: eight in ten lie within it on both sides

SET_OTHERWISE = "a machine that was set to end at another Hb than the plan says"
DILUTED = "a tube diluted by saline or by what was left in the line, which lowers Hb and leaves HbS % alone"


def call_day(on: date, days: int) -> date:
    """The day of a call so many days after a session; one that would fall on a weekend is made on the Monday after."""
    due = on + timedelta(days=days)
    return due + timedelta(days=max(7 - due.weekday(), 0) if due.weekday() > 4 else 0)


@dataclass(frozen=True, slots=True)
class Before:
    """What a session began from, and how sure that is: volumes [mL], Hb [g/L], HbS [%], their standard deviations.

    mixing_volume_ml: the volume in which this person's sessions behave as if mixed. unit_hb_g: of one unit [g].
    """

    blood_volume_ml: float
    mixing_volume_ml: float
    hb_g_l: float
    hbs_pct: float
    hb_sd_g_l: float
    hbs_sd_pct: float
    unit_hb_g: float


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure as it should be measured: middle, and the ends of eight in ten."""

    p50: float
    p10: float
    p90: float

    def holds(self, value: float) -> bool:
        return self.p10 <= value <= self.p90


@dataclass(frozen=True, slots=True)
class Expected:
    """What the volumes really given and drawn should leave, as a laboratory would measure it.

    share: own cells removed against the ideal for the same volumes at the formula volume, for the same units where a
    machine did it [1]. donor_kept: nan of what a machine did.
    """

    hbs_pct: Figure
    hb_g_l: Figure
    share: Figure
    donor_kept: float
    net_iron_mg: float


def expected_after(
    before: Before,
    *,
    in_ml: Sequence[float],
    out_ml: Sequence[float],
    cells_hb_g_l: Sequence[float],
    hb_assay_sd_g_l: float,
    hbs_assay_sd_pct: float,
    share_sd: float = math.nan,
    mixing_rel_sd: float = BLOOD_VOLUME_REL_SD,
) -> Expected:
    """Score a session again from what was really done: step by step, with the assay's own spread added.

    in_ml, out_ml [mL] and cells_hb_g_l [g/L, 0 for saline]: one for each step. share_sd: error of the measured share
    from measuring, nan where it was not measured. Raises: ValueError for figures that cannot be.
    Method: `exchange.run_many` and `uncertainty.outcome_spread`; independent errors add in quadrature.
    """
    mixing = before.mixing_volume_ml / before.blood_volume_ml
    known: dict[str, Any] = {
        "blood_volume_ml": before.blood_volume_ml, "hb_g_l": before.hb_g_l, "hbs_pct": before.hbs_pct,
        "in_ml": list(in_ml), "out_ml": list(out_ml), "cells_hb_g_l": list(cells_hb_g_l), "mixing": mixing,
    }  # fmt: skip
    many = run_many(**known)
    spread = outcome_spread(
        **known,
        blood_volume_rel_sd=mixing_rel_sd,
        unit_hb_g=before.unit_hb_g,
        hb_sd_g_l=before.hb_sd_g_l,
        hbs_sd_pct=before.hbs_sd_pct,
    )
    return Expected(
        hbs_pct=figure_of(float(many.hbs), math.hypot(float(spread.hbs), hbs_assay_sd_pct)),
        hb_g_l=figure_of(float(many.hb_settled), math.hypot(float(spread.hb_settled), hb_assay_sd_g_l)),
        share=figure_of(1.0 / mixing, share_sd_of(share_sd)),
        donor_kept=float(many.donor_kept),
        net_iron_mg=float(many.net_iron_mg),
    )


def share_sd_of(measuring: float) -> float:
    """How far a share of the ideal lies from what is expected [1]; measuring: its own error, nan where not known."""
    return SESSION_PRIOR_SD if math.isnan(measuring) else math.hypot(SESSION_PRIOR_SD, measuring)


def figure_of(middle: float, sd: float) -> Figure:
    """A figure with a normal spread."""
    return Figure(middle, middle - Z90 * sd, middle + Z90 * sd)


def parting_words(
    expected: Expected,
    *,
    hbs_pct: float | None,
    hb_g_l: float | None,
    doubts: Sequence[str] = (),
    by_machine: bool = False,
) -> str:
    """Return the sentence that is due where measured and expected part; '' where both lie within eight in ten.

    doubts: what already speaks against the sample. Dilution lowers Hb and leaves the share of HbS as it is, so the
    two together tell where to look; the order of causes is chosen here, not from a source.
    """
    hbs = _side(expected.hbs_pct, hbs_pct)
    hb = _side(expected.hb_g_l, hb_g_l)
    said = []
    if hbs and hbs_pct is not None:
        said.append(_parted("HbS", hbs_pct, hbs, expected.hbs_pct, "%", 1))
    if hb and hb_g_l is not None:
        said.append(_parted("Hb", hb_g_l, hb, expected.hb_g_l, "g/L", 0))
    if not said:
        return ""
    causes = ((SET_OTHERWISE,) if by_machine and hb else ()) + _causes(hbs, hb)
    if doubts:
        return " ".join([*said, *doubts, f"If it is not that: {'; '.join(c for c in causes if c != EARLY_SAMPLE)}."])
    return " ".join([*said, f"Look in this order: {'; '.join(causes)}."])


def _side(figure: Figure, value: float | None) -> int:
    """1 where a measured value lies above eight in ten, -1 below, 0 inside or not measured."""
    if value is None or figure.holds(value):
        return 0
    return 1 if value > figure.p90 else -1


def _parted(name: str, value: float, side: int, figure: Figure, unit: str, places: int) -> str:
    where = "above" if side > 0 else "below"
    return (
        f"{name} measured {value:.{places}f} {unit} lies {where} what these volumes should leave "
        f"({figure.p10:.{places}f} to {figure.p90:.{places}f} {unit} in eight of ten)."
    )


def _causes(hbs: int, hb: int) -> tuple[str, ...]:
    if hb < 0 and not hbs:
        return (DILUTED, VOLUMES, TUBE)
    if hbs < 0 and hb > 0:
        return (EARLY_SAMPLE, TUBE, VOLUMES)
    if hbs > 0:
        return (MIXING, EARLY_SAMPLE, VOLUMES, TUBE)
    return (EARLY_SAMPLE, VOLUMES, TUBE)


@dataclass(frozen=True, slots=True)
class HbAfter:
    """Haemoglobin after a session beside the most it may be [g/L], and what was done about it.

    hb_before_g_l: None where it was not measured, so that its rise is not asked about. greatest_rise_g_l: of a day.
    drawn_ml: blood drawn since the sample, with saline given level. blood_volume_ml: by formula, nan where not known.
    rechecked: a check of Hb was opened, whether it is done or not.
    """

    hb_g_l: float
    ceiling_g_l: float
    hb_before_g_l: float | None
    greatest_rise_g_l: float
    drawn_ml: float
    blood_volume_ml: float
    rechecked: bool

    @property
    def most_g_l(self) -> float:
        """The lower of its ceiling and what a day's rise allows."""
        return highest_after(self.ceiling_g_l, self.hb_before_g_l, self.greatest_rise_g_l)

    @property
    def is_over(self) -> bool:
        """Over it to the whole g/L, as Hb is read."""
        return round(self.hb_g_l) > self.most_g_l

    @property
    def now_g_l(self) -> float:
        """Where what was drawn leads, well mixed: Hb falls by exp(-drawn/volume), as in `smallvolumes.level_bleed`."""
        if not self.drawn_ml or math.isnan(self.blood_volume_ml):
            return self.hb_g_l
        return self.hb_g_l * math.exp(-self.drawn_ml / self.blood_volume_ml)

    @property
    def is_answered(self) -> bool:
        """Enough was drawn for it, or Hb is looked at again."""
        return self.rechecked or round(self.now_g_l) <= self.most_g_l

    @property
    def words(self) -> str:
        """Return how far over it is, and what was done."""
        drawn = "no blood drawn since"
        if self.drawn_ml:
            leads = "" if math.isnan(self.blood_volume_ml) else f", which leads to about {self.now_g_l:.0f} g/L"
            drawn = f"{self.drawn_ml:,.0f} mL drawn since{leads}"
        return f"{self._over}: {drawn}, {'a' if self.rechecked else 'no'} check of Hb opened"

    @property
    def _over(self) -> str:
        found = []
        if round(self.hb_g_l) > self.ceiling_g_l:
            found.append(f"is over the ceiling of {self.ceiling_g_l:.0f} g/L")
        if self.hb_before_g_l is not None and round(self.hb_g_l) > self.hb_before_g_l + self.greatest_rise_g_l:
            rise = self.hb_g_l - self.hb_before_g_l
            found.append(f"rose by {rise:.0f} in the day, {self.greatest_rise_g_l:.0f} g/L is allowed")
        return f"{self.hb_g_l:.0f} g/L {' and '.join(found)}"


def highest_after(ceiling_g_l: float, hb_before_g_l: float | None, greatest_rise_g_l: float) -> float:
    """Return the most that Hb may be after a session [g/L]: the lower of its ceiling and what a day's rise allows."""
    return ceiling_g_l if hb_before_g_l is None else min(ceiling_g_l, hb_before_g_l + greatest_rise_g_l)


@dataclass(frozen=True, slots=True)
class LowerHb:
    """Haemoglobin is too high after a session: how far, and two volumes of blood to draw with saline given level [mL].

    rule_ml: the rule of thumb, 3 mL/kg said to lower Hb by 10 g/L; rule_ends_at_g_l: where it would really lead.
    reckoned_ml ends at wanted_hb_g_l.
    """

    hb_g_l: float
    wanted_hb_g_l: float
    over_ceiling_g_l: float
    rise_over_limit_g_l: float
    rule_ml: float
    rule_ends_at_g_l: float
    reckoned_ml: float


def lower_hb(
    *,
    hb_after_g_l: float,
    hb_before_g_l: float | None,
    hb_ceiling_g_l: float,
    greatest_rise_g_l: float,
    blood_volume_ml: float,
    weight_kg: float,
) -> LowerHb | None:
    """Return what is offered where Hb after lies over the ceiling or rose by more than a day allows; else None.

    Hb [g/L] settled, blood_volume_ml by formula [mL], weight_kg [kg]; hb_before_g_l None where it was not measured.
    Wanted is the lower of the two limits; volumes by `smallvolumes.level_bleed`.
    """
    highest = highest_after(hb_ceiling_g_l, hb_before_g_l, greatest_rise_g_l)
    if hb_after_g_l <= highest:
        return None
    bleed = level_bleed(
        blood_volume_ml=blood_volume_ml, weight_kg=weight_kg, hb_g_l=hb_after_g_l, wanted_hb_g_l=highest
    )
    rise = np.nan if hb_before_g_l is None else hb_after_g_l - hb_before_g_l - greatest_rise_g_l
    return LowerHb(
        hb_g_l=hb_after_g_l,
        wanted_hb_g_l=highest,
        over_ceiling_g_l=max(hb_after_g_l - hb_ceiling_g_l, 0.0),
        rise_over_limit_g_l=float(np.nan_to_num(np.maximum(rise, 0.0))),
        rule_ml=float(bleed.rule_ml),
        rule_ends_at_g_l=float(bleed.rule_ends_at_g_l),
        reckoned_ml=float(bleed.out_ml),
    )
