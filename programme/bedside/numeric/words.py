"""What was done and what is to be done, in the words of the bedside page."""

from collections.abc import Mapping
from typing import Any

from programme.core.numeric.words import count_of, listed
from sessions.day.numeric import entries as kinds
from sessions.day.numeric.machine import Totals
from sessions.day.numeric.strokes import Stroke
from sessions.day.numeric.tally import PlannedStep

FLUIDS = {"saline": "Saline", "red_cells": "Red cells"}
DRAW = "Draw"
SHORT_VITALS = {"pulse": "pulse {:g}", "temp_c": "{:.1f} °C", "spo2": "SpO₂ {:g} %", "resp": "breaths {:g}"}


def ml(value: float) -> str:
    """Return a volume in whole millilitres with thousands parted and a true minus."""
    text = f"{value:,.0f}"
    return ("0" if text == "-0" else text).replace("-", "\u2212")


def given_name(fluid: str, in_ml: float) -> str:
    """Return 'Red cells' or 'Saline'; 'Draw' where nothing is given, whatever fluid stands beside it. [mL]"""
    return FLUIDS[fluid] if in_ml > 0.0 else DRAW


def step_name(step: PlannedStep) -> str:
    """Return 'Red cells 4, 5' or 'Saline'; 'Draw' where nothing is given."""
    places = ", ".join(str(place) for place in step.units) if step.in_ml > 0.0 else ""
    return f"{given_name(step.fluid, step.in_ml)} {places}".strip()


def stroke_title(stroke: Stroke, n_units: int) -> str:
    """Return 'Red cells, unit 4 of 5' or 'Saline'; 'Draw' where nothing is given meanwhile.

    The number of a unit is its place; where one came instead of another it can be over how many there are.
    """
    if stroke.in_ml <= 0.0:
        return DRAW
    name = FLUIDS[stroke.fluid]
    if stroke.unit is None:
        return name
    return f"{name}, unit {stroke.unit} of {n_units}" if stroke.unit <= n_units else f"{name}, unit {stroke.unit}"


def stroke_sentence(stroke: Stroke, *, for_good: bool = False) -> str:
    """Return what to do now, such as 'Give unit 4 while 130 mL is drawn.' for_good: nothing is given back for it."""
    what = (
        f"unit {stroke.unit}, {ml(stroke.in_ml)} mL," if stroke.unit is not None else f"{ml(stroke.in_ml)} mL of saline"
    )
    if stroke.in_ml <= 0.0:
        return f"Draw {ml(stroke.out_ml)} mL{' and give nothing back for it' if for_good else ''}."
    if stroke.out_ml <= 0.0:
        return f"Give {what.rstrip(',')}."
    return f"Give {what} while {ml(stroke.out_ml)} mL is drawn."


def slow_words(place: int, in_ml: float, *, most_ml: float, until: str) -> str:
    """Return what speaks against so much of a unit before the end of its slow start; '' where nothing does."""
    if in_ml <= most_ml:
        return ""
    return f"{ml(in_ml)} mL of unit {place} by {until} is more than the {ml(most_ml)} mL of its slow start."


def vitals_words(body: Mapping[str, Any]) -> str:
    """Return 'BP 112/68, pulse 78, 37.0 °C, SpO₂ 97 %' of an observation, and what was said in words."""
    parts = []
    if body.get("bp_sys") is not None:
        low = body.get("bp_dia")
        parts.append(f"BP {body['bp_sys']:g}/{'–' if low is None else format(low, 'g')}")
    parts += [words.format(body[name]) for name, words in SHORT_VITALS.items() if body.get(name) is not None]
    if str(body.get("words", "")).strip():
        parts.append(str(body["words"]).strip())
    return ", ".join(parts)


def entry_words(kind: str, body: Mapping[str, Any]) -> str:
    """Return one line that says what an entry of the bedside recorded."""
    if kind == kinds.MOVED:
        return _moved_words(body)
    if kind == kinds.OBSERVATION:
        return vitals_words(body)
    if kind == kinds.TOTALS:
        return totals_words(Totals.of_body(body))
    unit, number = body.get("unit"), body.get("number")
    said = {
        kinds.STEP_DONE: f"step {body.get('step')} done",
        kinds.UNIT_CHECKED: f"unit {unit} checked{_check_words(body)}",
        kinds.UNIT_STARTED: f"unit {unit} started",
        kinds.UNIT_ENDED: f"unit {unit} ended",
        kinds.UNIT_PUT_AWAY: f"unit {unit} put away" + (f", {body['state']}" if body.get("state") else ""),
        kinds.PAUSE: f"paused: {body.get('words', '')}",
        kinds.RESUME: "went on" + (f": {body['words']}" if body.get("words") else ""),
        kinds.UNDO: f"entry {number} undone",
        kinds.TIME: f"time of entry {number} put right",
        kinds.BOTH: "both happened: entries " + listed([str(number) for number in body.get("numbers", ())]),
        kinds.START_CHECK: "checked before the start",
        kinds.PLAN: "plan changed",
        kinds.REACTION: "reaction noted",
        kinds.SAMPLE: "sample taken",
        kinds.LEAFLET: "leaflet given",
    }
    return said.get(kind) or str(body.get("words", "")) or kind.replace("_", " ")


def _check_words(body: Mapping[str, Any]) -> str:
    """As which check an entry counts, and who proved themselves beside the one who entered it."""
    second = f" by {body['second']}, who proved themselves there" if body.get("second") else ""
    return {
        "first": ", first check",
        "second": f", second check{second}",
        "both": f", first check; second check{second}",
        "alone": ", by one person in an emergency",
    }.get(str(body.get("as")), "")


def _moved_words(body: Mapping[str, Any]) -> str:
    parts = [f"{way} {ml(body[name])}" for way, name in (("out", "out_ml"), ("in", "in_ml")) if body[name]]
    whose = f" of unit {body['unit']}" if body["in_ml"] and body.get("unit") is not None else ""
    weighed = f", weighed {body['weighed_g']:g} g" if body.get("weighed_g") is not None else ""
    return f"{', '.join(parts)} mL{whose}{weighed}, step {body['step']}"


def totals_words(totals: Totals) -> str:
    """Return the totals of a machine in one line; its times are local, as they were typed."""
    end = f"; {totals.end_words}" if totals.end_words else ""
    return (
        f"totals of the machine: saline {ml(totals.saline_in_ml)}, red cells {ml(totals.red_cells_in_ml)} mL of "
        f"{count_of(totals.units, 'unit')}, blood out {ml(totals.blood_out_ml)} mL, "
        f"{totals.started_at:%H:%M} to {totals.ended_at:%H:%M}{end}"
    )
