"""Figures that can be and are most likely slips: asked about wherever people type them or bring them in.

Each function says what is unlikely as words for a sentence, '' where nothing is. All limits are chosen here; not from a
source.
"""

SHARE_NOT_PCT = 1.0
"""HbS under this [%] is hardly ever reached, and often 0.28 was written for 28 %."""

LIKELY_KG_PER_M2 = (10.0, 60.0)
"""Weight over height squared, from a starved child to the heaviest grown-ups: outside it one of the two is wrong."""

MOST_OFF_LEVEL_ML_PER_KG = 15.0
"""An exchange keeps volume about level; more than this between fluid in and blood out is a slip, or no exchange."""

HBS_SLACK_PCT, HBS_RISE_PCT_A_DAY = 5.0, 2.0
"""Two measurements of the same HbS differ by less than the first, and no own cells come back faster than the second."""


def share_words(hbs_pct: float) -> str:
    """Say of an HbS [%] that it looks like a share of 1."""
    return f"HbS {hbs_pct:g} % may be a share: {100 * hbs_pct:g} %" if 0.0 < hbs_pct < SHARE_NOT_PCT else ""


def body_words(weight_kg: float, height_cm: float) -> str:
    """Say that weight [kg] and height [cm] hardly belong to one person; nan for either says nothing."""
    kg_per_m2 = weight_kg / (height_cm / 100.0) ** 2
    low, high = LIKELY_KG_PER_M2
    return f"Weight {weight_kg:g} kg at a height of {height_cm:g} cm" if kg_per_m2 < low or kg_per_m2 > high else ""


def balance_words(fluid_in_ml: float, blood_out_ml: float, weight_kg: float) -> str:
    """Say that a session was far from level. [mL, mL, kg]; nan for any says nothing."""
    balance = fluid_in_ml - blood_out_ml
    if not abs(balance) > MOST_OFF_LEVEL_ML_PER_KG * weight_kg:
        return ""
    more = f"{abs(balance):.0f} mL more {'in than out' if balance > 0 else 'out than in'}"
    return f"{fluid_in_ml:g} mL of fluid in and {blood_out_ml:g} mL of blood out, {more}"


def climb_words(after_pct: float, before_pct: float, days: int, *, diluted: bool = False) -> str:
    """Say that HbS [%] before a session is not to be expected, `days` after the session before ended at after_pct.

    diluted: red cells may have been given between, so a fall says nothing.
    """
    low = after_pct - HBS_SLACK_PCT
    high = after_pct + HBS_SLACK_PCT + HBS_RISE_PCT_A_DAY * days
    if before_pct <= high and (before_pct >= low or diluted):
        return ""
    verb = "rose" if before_pct > high else "fell"
    return f"HbS {verb} from {after_pct:g} to {before_pct:g} in {days} days between two sessions"
