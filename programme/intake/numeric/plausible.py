"""What does not look right about a result that can be read and has its person. Such a result waits, and feeds nothing.

The limits are chosen here; not from a source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from programme.intake.numeric.codes import HB, HBA, HBA2, HBC, HBF, HBS, Measured
from sessions.numeric.unlikely import HBS_RISE_PCT_A_DAY, HBS_SLACK_PCT, share_words

CLOCKS_DIFFER = timedelta(minutes=10)
HB_JUMP_G_L = 40.0
HB_JUMP_DAYS = 14
FRACTIONS = (HBS.analyte, HBA.analyte, HBF.analyte, HBA2.analyte, HBC.analyte)
FRACTIONS_OFF_PCT = 2.0
"""Haemoglobin fractions add up to 100, with about 2 for their own errors (common practice)."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """The newest earlier value that counts. exchanged_since: red cells were given between the two, as far as known."""

    value: float
    on: date
    exchanged_since: bool


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a result waits: reason code and sentence."""

    reason: str
    sentence: str


def doubts_about(
    measured: Measured,
    *,
    taken_at: datetime,
    taken_on: date,
    received_at: datetime,
    birth_date: date | None,
    earlier: Earlier | None,
) -> Doubt | None:
    """Return the gravest doubt about one result, None where there is none."""
    if taken_at > received_at + CLOCKS_DIFFER:
        return Doubt("future", f"Taken {taken_at:%-d %b %Y %H:%M}, which is later than it was received.")
    if birth_date is not None and taken_on < birth_date:
        return Doubt("before_birth", f"Taken {taken_on:%-d %b %Y}, before the person was born.")
    if measured.comparator:
        words = "less" if measured.comparator == "<" else "more"
        return Doubt("comparator", f"Reported as {words} than {measured.value:g}: a limit, not a value.")
    if measured.analyte == HBS.analyte:
        return _hbs_doubt(measured.value, taken_on, earlier)
    if measured.analyte == HB.analyte:
        return _hb_doubt(measured.value, taken_on, earlier)
    return None


def _hbs_doubt(value: float, on: date, earlier: Earlier | None) -> Doubt | None:
    if words := share_words(value):
        return Doubt("share_not_percent", f"{words}.")
    if earlier is None or earlier.exchanged_since:
        return None
    days = max((on - earlier.on).days, 0)
    low = earlier.value - HBS_SLACK_PCT
    high = earlier.value + HBS_SLACK_PCT + HBS_RISE_PCT_A_DAY * days
    if low <= value <= high:
        return None
    return Doubt(
        "far_from_last",
        f"HbS was {earlier.value:g} % on {earlier.on:%-d %b %Y} and no red cells are recorded since: "
        f"{value:g} % is not to be expected. Wrong person in the tube, or an exchange that is not recorded?",
    )


def _hb_doubt(value: float, on: date, earlier: Earlier | None) -> Doubt | None:
    if earlier is None or earlier.exchanged_since or (on - earlier.on).days > HB_JUMP_DAYS:
        return None
    if abs(value - earlier.value) <= HB_JUMP_G_L:
        return None
    return Doubt(
        "far_from_last",
        f"Hb was {earlier.value:g} g/L on {earlier.on:%-d %b %Y} and no red cells are recorded since; "
        f"{value:g} g/L differs by more than {HB_JUMP_G_L:g}. Bleeding, haemolysis, or the wrong person in the tube?",
    )


def fractions_doubt(pct: Mapping[str, float]) -> Doubt | None:
    """Return a doubt about fractions of one sample that do not add up. pct: by analyte, those that were sent.

    More than 102 is never right. Less than 98 is wrong where HbS, HbA, HbF and HbA2 were all sent.
    """
    sent = {analyte: pct[analyte] for analyte in FRACTIONS if analyte in pct}
    total = sum(sent.values())
    complete = set(FRACTIONS) - {HBC.analyte} <= set(sent)
    if len(sent) < 2 or (total <= 100 + FRACTIONS_OFF_PCT and not (complete and total < 100 - FRACTIONS_OFF_PCT)):
        return None
    return Doubt("fractions", f"The haemoglobin fractions of this sample add up to {total:.1f} %, not to 100.")


def group_doubt(sent: str, recorded: str) -> Doubt | None:
    """Return a doubt where a blood group differs from the recorded one. Both as 'O+', recorded empty if unknown."""
    if not recorded or sent == recorded:
        return None
    return Doubt(
        "group_differs",
        f"Group {sent} arrived; recorded is {recorded}. Wrong person in the tube? Nothing of this sample is used.",
    )
