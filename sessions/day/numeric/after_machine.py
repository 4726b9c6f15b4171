"""After a machine's exchange: what the units given should have done, by mass of haemoglobin (`numeric/by_mass`)."""

import math

from sessions.day.numeric.after import Before, Expected, figure_of, share_sd_of
from sessions.numeric.by_mass import END_HB_SD_G_L, given_rel_sd, reckon_by_mass, share_of_ideal
from sessions.numeric.exchange import IRON_MG_PER_G
from sessions.numeric.uncertainty import BLOOD_VOLUME_REL_SD


def expected_after_machine(
    before: Before,
    *,
    given_g: float,
    hb_end_g_l: float | None,
    hb_assay_sd_g_l: float,
    hbs_assay_sd_pct: float,
    share_sd: float = math.nan,
    mixing_rel_sd: float = BLOOD_VOLUME_REL_SD,
) -> Expected:
    """What a machine should leave that gave so much donor Hb [g] and was set to end at this Hb [g/L]; by `by_mass`.

    hb_end_g_l: None where nothing says which; it is then taken to end about where it began.
    """
    volume_l = before.mixing_volume_ml / 1000.0
    found = reckon_by_mass(
        volume_l=volume_l,
        volume_rel_sd=mixing_rel_sd,
        hb_before_g_l=before.hb_g_l,
        hb_before_sd_g_l=before.hb_sd_g_l,
        given_g=given_g,
        given_rel_sd=given_rel_sd(given_g, before.unit_hb_g),
        hb_end_g_l=before.hb_g_l if hb_end_g_l is None else hb_end_g_l,
        hb_end_sd_g_l=END_HB_SD_G_L if hb_end_g_l is None else 0.0,
    )
    ratio, settled = float(found.hbs_ratio), float(found.hb_settled_g_l)
    hbs_sd = math.hypot(before.hbs_pct * float(found.hbs_ratio_sd), ratio * before.hbs_sd_pct)
    share, _ = share_of_ideal(
        volume_l=before.blood_volume_ml / 1000.0, given_g=given_g, hb_before_g_l=before.hb_g_l, hb_after_g_l=settled,
        hbs_before_pct=1.0, hbs_after_pct=ratio,
    )  # fmt: skip
    return Expected(
        hbs_pct=figure_of(before.hbs_pct * ratio, math.hypot(hbs_sd, hbs_assay_sd_pct)),
        hb_g_l=figure_of(settled, math.hypot(float(found.hb_settled_sd_g_l), hb_assay_sd_g_l)),
        share=figure_of(float(share), share_sd_of(share_sd)),
        donor_kept=math.nan,
        net_iron_mg=IRON_MG_PER_G * volume_l * (settled - before.hb_g_l),
    )


def measured_share_of_machine(
    before: Before, *, given_g: float, hb_g_l: float, hbs_pct: float, hb_assay_sd_g_l: float, hbs_assay_sd_pct: float
) -> tuple[float, float]:
    """Return the share of the ideal that was measured after a machine gave so much donor Hb [g], and its error [1].

    The error is that of measuring, √(Σ(SD/value)²) over the ideal removal, by first order.
    """
    share, most = share_of_ideal(
        volume_l=before.blood_volume_ml / 1000.0, given_g=given_g, hb_before_g_l=before.hb_g_l, hb_after_g_l=hb_g_l,
        hbs_before_pct=before.hbs_pct, hbs_after_pct=hbs_pct,
    )  # fmt: skip
    relative = [hb_assay_sd_g_l / value for value in (before.hb_g_l, hb_g_l)]
    relative += [hbs_assay_sd_pct / value for value in (before.hbs_pct, hbs_pct)]
    return float(share), math.hypot(*relative) / float(most)
