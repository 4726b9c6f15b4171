"""From what was typed at the bedside to the body of an entry: one reading for the script's queue and plain forms."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import time
from typing import Any

from django.core.exceptions import ValidationError

from programme.bedside.forms.ending import TotalsForm
from programme.bedside.queries.chair import Chair
from programme.core.numeric.quantities import BadNumber, parse_number
from sessions.day.numeric import entries as kinds
from sessions.day.numeric.entries import MOST_IN_ONE_ENTRY_ML, VITALS
from sessions.day.numeric.naming import moment_near
from sessions.day.numeric.weighing import HEAVIEST_BAG_G, LIGHTEST_BAG_G, drawn_ml

Typed = Mapping[str, str]
CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")
BAGS = {"small": "bag_tare_small_g", "large": "bag_tare_large_g"}
SENT_FROM_HERE = frozenset(
    {kinds.MOVED, kinds.STEP_DONE, kinds.TOTALS, kinds.OBSERVATION, kinds.PAUSE, kinds.RESUME, kinds.UNDO, kinds.TIME,
     kinds.BOTH, kinds.NOTE}
)  # fmt: skip
"""Units are checked, started and ended on their own pages."""


def body_of(kind: str, typed: Typed, chair: Chair, *, tablet: str = "") -> dict[str, Any]:
    """Return the body of an entry of this kind from what was typed. Raises ValidationError with every fault.

    tablet: on which it was typed; kept with a volume, for one person with two tablets can enter one draw twice.
    """
    if kind not in SENT_FROM_HERE:
        raise ValidationError(f"{kind[:40]!r} is not entered on this page.")
    faults: list[str] = []
    body = _READERS.get(kind, _nothing)(typed, chair, faults)
    if faults:
        raise ValidationError(faults)
    return body | {"tablet": tablet} if tablet and kind == kinds.MOVED else body


def _moved(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    step = _whole(typed, "step", "Step", faults)
    body: dict[str, Any] = {
        "step": step,
        "in_ml": _volume(typed, "in_ml", "In", faults) or 0.0,
        "out_ml": _volume(typed, "out_ml", "Out", faults) or 0.0,
    }
    if typed.get("unit", "").strip() and body["in_ml"]:
        body["unit"] = _whole(typed, "unit", "Unit", faults)
    if typed.get("weighed_g", "").strip():
        body |= _weighed(typed, chair, faults)
    fluid = chair.fluid_of(step)
    if fluid is None:
        faults.append(f"Step {step} is not in the plan in force.")
    else:  # kept with the entry, so that a later plan cannot change what was given
        body["fluid"], body["cells_hb_g_l"] = fluid[0], chair.cells_hb_of(body.get("unit"), fluid[1])
    return body


def _weighed(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    bag = typed.get("bag", "")
    if bag not in BAGS:
        faults.append("Choose the kind of bag that was weighed: small or large.")
        return {}
    gross = _number(typed, "weighed_g", "Weighed", faults, LIGHTEST_BAG_G, HEAVIEST_BAG_G, "g")
    if gross is None:
        return {}
    tare = chair.settings[BAGS[bag]]
    try:
        out = drawn_ml(gross_g=gross, tare_g=tare, hb_g_l=chair.hb_g_l)
    except ValueError as error:
        faults.append(f"Weighed: {error}")
        return {}
    return {"out_ml": float(round(out)), "weighed_g": gross, "bag": bag, "tare_g": tare}


def _observation(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    body: dict[str, Any] = {"moment": typed.get("moment", "") or "other"}
    for name, vital in VITALS.items():
        value = _number(typed, name, vital.words.capitalize(), faults, *vital.possible, vital.unit)
        if value is not None:
            body[name] = value
    if typed.get("words", "").strip():
        body["words"] = typed["words"].strip()[:400]
    return body


def _words(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    return {"words": typed.get("words", "").strip()[:400]}


def _step_done(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    return {"step": _whole(typed, "step", "Step", faults)}


def _totals(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    today = chair.at.astimezone(chair.zone).date()
    session = chair.exchange_session
    form = TotalsForm(dict(typed), today=today, zone=chair.zone, on=session.on, started_at=session.started_at)
    if form.is_valid():
        return form.said().body()
    faults += [fault.words for fault in form.stops]
    return {}


def _undo(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    return {"number": _target(typed, chair, faults)}


def _time(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    number = _target(typed, chair, faults)
    text = typed.get("clock", "").strip()
    found = CLOCK.fullmatch(text)
    if found is None:
        faults.append(f"Time: {text[:20]!r} is not a time such as 10:15.")
        return {}
    was = chair.time_of(number) if number is not None else None
    if was is None:
        return {"number": number, "happened_at": ""}
    try:
        moment = moment_near(was, time(int(found[1]), int(found[2])), chair.zone)
    except ValueError as error:
        faults.append(f"Time: {error}")
        return {}
    return {"number": number, "happened_at": moment.isoformat()}


def _both(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    return {"numbers": [_whole(typed, name, "Entry", faults) for name in ("first", "second")]}


def _nothing(typed: Typed, chair: Chair, faults: list[str]) -> dict[str, Any]:
    return {}


def _target(typed: Typed, chair: Chair, faults: list[str]) -> int | None:
    """The entry that is named, by its number or, where the page never learnt it, by the key it was sent with."""
    key = typed.get("target_key", "").strip()
    if not key:
        return _whole(typed, "target", "Entry", faults)
    number = chair.number_of_key(key)
    if number is None:
        faults.append("The entry that was to be changed was never kept, so there is nothing to change.")
    return number


def _volume(typed: Typed, name: str, words: str, faults: list[str]) -> float | None:
    return _number(typed, name, words, faults, 0, MOST_IN_ONE_ENTRY_ML, "mL")


def _whole(typed: Typed, name: str, words: str, faults: list[str]) -> int | None:
    value = _number(typed, name, words, faults, 1, 100_000, "")
    if value is None:
        faults.append(f"{words} is missing.")
        return None
    return int(value)


def _number(typed: Typed, name: str, words: str, faults: list[str], low: float, high: float, unit: str) -> float | None:
    text = typed.get(name, "").strip()
    if not text:
        return None
    try:
        return parse_number(text, name=words, low=low, high=high, unit=unit)
    except BadNumber as error:
        faults.append(str(error))
        return None


_READERS: dict[str, Callable[[Typed, Chair, list[str]], dict[str, Any]]] = {
    kinds.MOVED: _moved,
    kinds.STEP_DONE: _step_done,
    kinds.TOTALS: _totals,
    kinds.OBSERVATION: _observation,
    kinds.PAUSE: _words,
    kinds.RESUME: _words,
    kinds.NOTE: _words,
    kinds.UNDO: _undo,
    kinds.TIME: _time,
    kinds.BOTH: _both,
}
