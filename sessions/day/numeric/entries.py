"""What can be entered at the bedside: kinds of entries and what each must say."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

MOVED = "moved"
STEP_DONE = "step_done"
TOTALS = "totals"
UNIT_CHECKED, UNIT_STARTED, UNIT_ENDED, UNIT_PUT_AWAY = "unit_checked", "unit_started", "unit_ended", "unit_put_away"
OBSERVATION = "observation"
PAUSE, RESUME = "pause", "resume"
STOPPED_FOR_A_REACTION = "stopped for a reaction"
"""The words of the pause that a reaction makes."""
UNDO, TIME, BOTH = "undo", "time", "both"
START_CHECK, PLAN, REACTION, NOTE = "start_check", "plan", "reaction", "note"
SAMPLE, DISPOSAL, LEAFLET = "sample", "disposal", "leaflet"

AT_THE_CHAIR = frozenset(
    {MOVED, STEP_DONE, TOTALS, UNIT_STARTED, UNIT_ENDED, OBSERVATION, PAUSE, RESUME, UNDO, TIME, BOTH, NOTE}
)
"""Kinds that the bedside page sends by itself; it keeps them until the server has answered."""
AFTERWARDS = frozenset({OBSERVATION, SAMPLE, DISPOSAL, LEAFLET, NOTE, UNDO, TIME, BOTH, UNIT_PUT_AWAY})
"""Kinds that a finished session still takes."""

MOST_IN_ONE_ENTRY_ML = 1500.0
MOST_UNITS = 20
MOST_IN_TOTAL_ML = {"saline_in_ml": 6000.0, "red_cells_in_ml": 6000.0, "blood_out_ml": 8000.0}
"""More than this is a slip of the finger: about the blood of a heavy adult. Chosen here."""
LONGEST_END_WORDS = 300


@dataclass(frozen=True, slots=True)
class Said:
    """One entry as stored. `happened_at` is the corrected time once a later entry has put it right."""

    number: int
    kind: str
    body: Mapping[str, Any]
    happened_at: datetime
    received_at: datetime
    by: int
    seen: int = 0


@dataclass(frozen=True, slots=True)
class Vital:
    """One vital sign: what is possible (outside is refused) and what is usual (outside is asked about)."""

    name: str
    words: str
    unit: str
    possible: tuple[float, float]
    usual: tuple[float, float]


# Usual ranges of adults at rest are common practice; possible ones keep slips of the finger out. Chosen here.
VITALS: dict[str, Vital] = {
    vital.name: vital
    for vital in (
        Vital("bp_sys", "systolic pressure", "mmHg", (40, 280), (90, 160)),
        Vital("bp_dia", "diastolic pressure", "mmHg", (20, 180), (45, 100)),
        Vital("pulse", "pulse", "/min", (20, 240), (50, 110)),
        Vital("temp_c", "temperature", "°C", (30, 43), (35.5, 38.0)),
        Vital("spo2", "oxygen saturation", "%", (50, 100), (93, 100)),
        Vital("resp", "breaths", "/min", (4, 80), (10, 24)),
    )
}
MOMENTS = ("before", "after_15", "interval", "end", "going_home", "reaction", "other")


def faults_of(kind: str, body: Mapping[str, Any]) -> tuple[str, ...]:
    """Return a sentence for everything that is missing or cannot be in an entry; nothing where it can be kept."""
    check = _CHECKS.get(kind)
    if check is None:
        return (f"{kind!r} is no kind of entry; known are {', '.join(sorted(_CHECKS))}.",)
    return tuple(check(body))


def unusual_in(body: Mapping[str, Any]) -> tuple[str, ...]:
    """Return a question for every vital sign outside what is usual; asking never blocks."""
    found = []
    for name, vital in VITALS.items():
        value = body.get(name)
        if value is not None and not vital.usual[0] <= value <= vital.usual[1]:
            found.append(f"{vital.words} {value:g} {vital.unit}: usual is {vital.usual[0]:g} to {vital.usual[1]:g}.")
    return tuple(found)


def _moved(body: Mapping[str, Any]) -> list[str]:
    faults = _whole(body, "step", 1, 99)
    for name, words in (("in_ml", "In"), ("out_ml", "Out")):
        faults += _number(body, name, words, 0, MOST_IN_ONE_ENTRY_ML, "mL")
    if not faults and body["in_ml"] == 0 and body["out_ml"] == 0:
        faults.append("Enter a volume in, out or both: 0 mL of both says nothing.")
    if body.get("unit") is not None:
        faults += _whole(body, "unit", 1, 20)
    return faults


def _totals(body: Mapping[str, Any]) -> list[str]:
    faults = _whole(body, "units", 0, MOST_UNITS)
    for name, most in MOST_IN_TOTAL_ML.items():
        faults += _number(body, name, name.removesuffix("_ml").replace("_", " ").capitalize(), 0, most, "mL")
    moments = [_with_offset(body, name, faults) for name in ("started_at", "ended_at")]
    if None not in moments and moments[1] < moments[0]:  # type: ignore[operator]
        faults.append("A session cannot end before it starts.")
    words = body.get("end_words", "")
    if not isinstance(words, str) or len(words) > LONGEST_END_WORDS:
        faults.append(f"end_words: words of at most {LONGEST_END_WORDS} characters.")
    return faults or _totals_against(body)


def _totals_against(body: Mapping[str, Any]) -> list[str]:
    if not any(body[name] for name in MOST_IN_TOTAL_ML):
        return ["Totals of 0 mL say nothing: a session in which nothing was given or drawn is given up."]
    if body["red_cells_in_ml"] > 0 and body["units"] == 0:
        return ["Red cells were given, so at least one unit was."]
    if body["units"] > 0 and body["red_cells_in_ml"] == 0:
        return ["Units were given, so red cells were."]
    return []


def _observation(body: Mapping[str, Any]) -> list[str]:
    faults = [] if body.get("moment") in MOMENTS else [f"moment must be one of {', '.join(MOMENTS)}."]
    said = [name for name in VITALS if body.get(name) is not None]
    for name in said:
        vital = VITALS[name]
        faults += _number(body, name, vital.words, *vital.possible, vital.unit)
    if not said and not str(body.get("words", "")).strip():
        faults.append("Enter at least one observation, or say in words what was seen.")
    return faults


def _names_entry(body: Mapping[str, Any]) -> list[str]:
    return _whole(body, "number", 1, 100_000)


def _time(body: Mapping[str, Any]) -> list[str]:
    faults = _names_entry(body)
    _with_offset(body, "happened_at", faults)
    return faults


def _with_offset(body: Mapping[str, Any], name: str, faults: list[str]) -> datetime | None:
    try:
        moment = datetime.fromisoformat(str(body.get(name)))
    except ValueError:
        faults.append(f"{name}: {body.get(name)!r} is no date and time such as 2026-06-01T10:15+01:00.")
        return None
    if moment.tzinfo is None:
        faults.append(f"{name} needs its offset from UTC.")
        return None
    return moment


def _both(body: Mapping[str, Any]) -> list[str]:
    numbers = body.get("numbers")
    if not isinstance(numbers, list) or len(numbers) != 2 or not all(isinstance(n, int) for n in numbers):
        return ["numbers: name the two entries that both happened."]
    return []


def _unit(body: Mapping[str, Any]) -> list[str]:
    return _whole(body, "unit", 1, 20)


def _step(body: Mapping[str, Any]) -> list[str]:
    return _whole(body, "step", 1, 99)


def _sample(body: Mapping[str, Any]) -> list[str]:
    faults = [] if str(body.get("place", "")).strip() else ["Say which arm or line the sample was taken from."]
    _with_offset(body, "taken_at", faults)
    return faults


def _words(body: Mapping[str, Any]) -> list[str]:
    return [] if str(body.get("words", "")).strip() else ["Write what is to be kept."]


def _anything(_: Mapping[str, Any]) -> list[str]:
    return []


def _number(body: Mapping[str, Any], name: str, words: str, low: float, high: float, unit: str) -> list[str]:
    value = body.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return [f"{words}: {value!r} is no number; allowed is {low:g} to {high:g} {unit}."]
    return (
        [] if low <= value <= high else [f"{words}: {value:g} is not possible; allowed is {low:g} to {high:g} {unit}."]
    )


def _whole(body: Mapping[str, Any], name: str, low: int, high: int) -> list[str]:
    value = body.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        return [f"{name}: {value!r} is not allowed; allowed is a whole number from {low} to {high}."]
    return []


_CHECKS: dict[str, Callable[[Mapping[str, Any]], list[str]]] = {
    MOVED: _moved,
    STEP_DONE: _step,
    TOTALS: _totals,
    UNIT_CHECKED: _unit,
    UNIT_STARTED: _unit,
    UNIT_ENDED: _unit,
    UNIT_PUT_AWAY: _unit,
    OBSERVATION: _observation,
    PAUSE: _words,
    RESUME: _anything,
    UNDO: _names_entry,
    TIME: _time,
    BOTH: _both,
    START_CHECK: _anything,
    PLAN: _anything,
    REACTION: _anything,
    NOTE: _words,
    SAMPLE: _sample,
    DISPOSAL: _words,
    LEAFLET: _anything,
}
