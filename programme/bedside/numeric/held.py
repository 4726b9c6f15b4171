"""Every limit of a session laid out by hand, at every moment: how far it goes, and whether it may be passed.

The limits and their sources: `planning.numeric.limits`. Judged at the unfavourable tenth as the planner judges them, Hb
in whole g/L as it is measured.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from programme.bedside.numeric.laid import SETTING_OF, Ground, Judged, LimitFound, Moment
from programme.planning.numeric.limits import HIGH_HBS_PCT, WORDS, Limits, hb_after_warn
from programme.planning.numeric.search import UNFAVOURABLE_TENTH
from sessions.day.numeric.draft import KEPT, STOPPED, WARNED


def limits_of(
    ground: Ground, found: Judged, limits: Limits, rise_g_l: float, hard: Mapping[str, bool]
) -> tuple[LimitFound, ...]:
    """Return every limit of the session `found`, whose Hb rises by `rise_g_l` at the unfavourable tenth.

    limits : of this one person, arrays [1]. hard : by setting of `SETTING_OF`, whether nobody can pass that stop.
    Chosen here; not from a source: a moment on the way counts only where the session makes it worse than its start.
    """
    saline = sum(m.laid.in_ml for m in found.moments if m.laid.fluid == "saline")
    out = sum(m.laid.out_ml for m in found.moments)
    rise, draw = float(limits.rise_stop_g_l[0]), float(limits.draw_stop_ml[0])
    most_saline, most_out = float(limits.saline_stop_ml[0]), float(limits.blood_out_stop_ml[0])
    balance, units = float(limits.balance_stop_ml[0]), float(limits.units_most[0])
    rows = [
        _hb_after(ground, found, limits),
        _upper("rise", "at the end, in one day", rise_g_l, rise, "g/L"),
        _hb_floor(ground, min(moment.hb_g_l.p10 for moment in found.moments), limits, "nine in ten stay over this"),
        _upper("draw", f"one draw ahead; {draw / ground.weight_kg:.1f} mL/kg", -found.deepest_ml, draw, "mL"),
        _upper("balance", f"{balance / ground.weight_kg:.0f} mL/kg", found.highest_ml, balance, "mL"),
        _upper("saline", f"{most_saline / ground.weight_kg:.0f} mL/kg", saline, most_saline, "mL"),
        _upper("blood_out", "drawn in all steps together", out, most_out, "mL"),
        _upper("units", "this person's own or the site's", float(found.units), units, ""),
    ]
    first = _saline_first(found.moments)
    if not limits.saline_first[0] and first > 0.0:
        rows.append(LimitFound("saline_first", f"{WORDS['saline_first']}; off with this person's flag", first, 0.0,
                               "mL", STOPPED))  # fmt: skip
    return _hardened(rows, hard)


def limits_of_totals(ground: Ground, found: Judged, limits: Limits, hard: Mapping[str, bool]) -> tuple[LimitFound, ...]:
    """Return every limit that the totals of an automated session can be held against; arguments as `limits_of`.

    Rise and floor are judged at the Hb it is set to end at. How low Hb or the balance goes on the way, the machine
    alone knows. Chosen here; not from a source.
    """
    end, out = found.hb_settled.p50, sum(moment.laid.out_ml for moment in found.moments)
    rise, most_out = float(limits.rise_stop_g_l[0]), float(limits.blood_out_stop_ml[0])
    units = float(limits.units_most[0])
    rows = [
        _hb_after(ground, found, limits),
        _upper("rise", "as the machine is set", end - ground.hb_g_l, rise, "g/L"),
        _hb_floor(ground, end, limits, "at the end, as the machine is set"),
        _upper("blood_out", "drawn and kept, level with the red cells", out, most_out, "mL"),
        _upper("units", "this person's own or the site's", float(found.units), units, ""),
    ]
    return _hardened(rows, hard)


def _hardened(rows: Sequence[LimitFound], hard: Mapping[str, bool]) -> tuple[LimitFound, ...]:
    return tuple(replace(row, hard=bool(hard.get(SETTING_OF.get(row.name, ""), False))) for row in rows)


def _hb_after(ground: Ground, found: Judged, limits: Limits) -> LimitFound:
    """A moment on the way counts only where the session makes it worse than its start."""
    warn = float(hb_after_warn(limits, found.hbs.p50)[0])
    stop = max(float(limits.hb_after_stop_g_l[0]), warn)
    start = ground.hb_g_l + UNFAVOURABLE_TENTH * ground.hb_sd_g_l
    peak = max(moment.hb_g_l.p90 for moment in found.moments)
    end = found.hb_settled.p90
    state = KEPT
    for level, name in ((warn, WARNED), (stop, STOPPED)):
        if _over(end, level) or _over(peak, max(level, start)):
            state = name
    reached = max(end, peak) if peak > start else end
    side = "over" if found.hbs.p50 > HIGH_HBS_PCT else "at or under"
    words = f"{WORDS['hb_after']}; HbS ends {side} {HIGH_HBS_PCT:g} %, nine in ten stay under this"
    return LimitFound("hb_after", words, reached, stop if state == STOPPED else warn, "g/L", state)


def _hb_floor(ground: Ground, reached_g_l: float, limits: Limits, words: str) -> LimitFound:
    warn, stop = float(limits.hb_floor_warn_g_l[0]), float(limits.hb_floor_stop_g_l[0])
    start = ground.hb_g_l - UNFAVOURABLE_TENTH * ground.hb_sd_g_l
    lowest = min(start, reached_g_l)
    if start < warn:
        words, warn, stop = "no lower than it starts", start, min(stop, start)
    state = STOPPED if _over(stop, lowest) else WARNED if _over(warn, lowest) else KEPT
    allowed = stop if state == STOPPED else warn
    return LimitFound("hb_floor", f"{WORDS['hb_floor']}; {words}", lowest, allowed, "g/L", state)


def _upper(name: str, words: str, reached: float, stop: float, unit: str) -> LimitFound:
    state = STOPPED if _over(reached, stop) else KEPT
    return LimitFound(name, f"{WORDS[name]}; {words}", reached, stop, unit, state)


def _over(value: float, limit: float) -> bool:
    """Whether a figure, as it is printed in whole numbers, lies over a limit."""
    return round(value) > math.floor(limit + 0.5)


def _saline_first(moments: Sequence[Moment]) -> float:
    """Saline that goes in before any red cells. [mL]"""
    total = 0.0
    for moment in moments:
        if moment.laid.fluid == "red_cells" and moment.laid.in_ml > 0.0:
            break
        total += moment.laid.in_ml
    return total
