"""What a decision changed, in words: goals compared with the goals before them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from programme.worklist.numeric.words import capital

Value = float | int | str | date | None

GOAL_WORDS: tuple[tuple[str, str, str], ...] = (
    ("hbs_ceiling_pct", "ceiling", "%"),
    ("accepted_chance", "accepted chance", "in 100"),
    ("usual_interval_days", "usual interval", "days"),
    ("end_target_hbs_pct", "end target", "%"),
    ("shortest_interval_days", "shortest interval", "days"),
    ("longest_interval_days", "longest interval", "days"),
    ("units_most", "units a session at most", ""),
    ("hb_ceiling_g_l", "Hb ceiling", "g/L"),
    ("greatest_rise_g_l", "greatest rise of Hb", "g/L"),
    ("hb_floor_g_l", "Hb floor", "g/L"),
    ("clinic_days", "clinic days", ""),
    ("method", "method", ""),
    ("review_on", "review", ""),
)
METHOD_WORDS = {"two_arm": "two arms", "one_arm": "one arm", "automated": "automated"}
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def decision_words(after: Mapping[str, Value], before: Mapping[str, Value] | None = None) -> str:
    """Return what was decided: every goal the first time, afterwards only what changed.

    after, before: goals by the names in GOAL_WORDS; a missing name and None both mean 'not set'.
    """
    parts = []
    for name, label, unit in GOAL_WORDS:
        new, old = _said(name, after.get(name)), None if before is None else _said(name, before.get(name))
        if new == old or (before is None and not new):
            continue
        if not new:
            parts.append(f"{label} no longer set")
        elif old:
            parts.append(f"{label} {old} to {new} {unit}".rstrip())
        else:
            parts.append(f"{label} {new} {unit}".rstrip())
    return capital("; ".join(parts)) if parts else "Goals kept as they were"


def _said(name: str, value: Value) -> str:
    if value is None or value == "":
        return ""
    if name == "accepted_chance":
        return f"{100 * float(value):g}"  # type: ignore[arg-type]
    if name == "clinic_days":
        return ", ".join(WEEKDAYS[int(part)] for part in str(value).split(",") if part)
    if name == "method":
        return METHOD_WORDS.get(str(value), str(value))
    if isinstance(value, date):
        return f"{value.day} {value:%b %Y}"
    return f"{value:g}" if isinstance(value, int | float) else value
