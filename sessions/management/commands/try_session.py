"""Work one session out from figures given by hand: no patient, no database."""

import argparse
import json
import math
from dataclasses import asdict
from typing import Any, Literal, cast

from django.core.management.base import BaseCommand, CommandError, CommandParser

from programme.core.numeric.quantities import BadNumber, parse_number
from programme.core.numeric.setting_table import DEFAULTS
from sessions.numeric.exchange import UNIT_HB_G_L, SessionOutcome, Start, Step, run_steps
from sessions.numeric.volume import AGE_YEARS, HEIGHT_CM, WEIGHT_KG, blood_volume_ml, volume_rule

STEP_FORM = "fluid:in_ml:out_ml[:hb_g_l], where fluid is saline or red_cells"
CAUTION = "Arithmetic only: local policy and a licensed prescriber decide what is done."
WRONG_USE = 2

NOT_SHOWN = ("own_hb_g", "earlier_donor_hb_g")
"""Pools that need the untransfused share, which is not asked for here."""

RANGES: dict[str, tuple[float, float, str]] = {
    "height_cm": (*HEIGHT_CM, "cm"),
    "weight_kg": (*WEIGHT_KG, "kg"),
    "age_years": (*AGE_YEARS, "years"),
    "blood_volume_ml": (50.0, 15_000.0, "mL"),
    "hb_pre": (20.0, 250.0, "g/L"),
    "hbs_pre": (0.0, 100.0, "%"),
    "mixing": (0.5, 1.5, ""),
    "early_loss_pct": (0.0, 25.0, "%"),
}
STEP_RANGES: dict[str, tuple[float, float, str]] = {
    "in_ml": (0.0, 10_000.0, "mL"),
    "out_ml": (0.0, 10_000.0, "mL"),
}
LEAST_CELLS_HB_G_L, MOST_CELLS_HB_G_L = 10.0, 350.0
"""From much diluted red cells to nothing but red cells. Chosen here; not from a source."""


class Command(BaseCommand):
    help = "Work out one exchange session, step by step, from figures given by hand."
    requires_system_checks = []
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--sex", choices=["F", "M"], help="needed unless the blood volume is given")
        parser.add_argument("--height-cm", help="without it the blood volume goes by weight and age")
        parser.add_argument("--weight-kg", help="needed unless the blood volume is given")
        parser.add_argument("--age-years", help="without it the adult rules apply")
        parser.add_argument("--blood-volume-ml", help="instead of the rule by height, weight and age")
        parser.add_argument("--hb-pre", required=True, help="haemoglobin before, g/L")
        parser.add_argument("--hbs-pre", required=True, help="HbS before (HbS + HbC in SC disease), %%")
        parser.add_argument("--mixing", default="1", help="effective over formula blood volume (default 1)")
        parser.add_argument("--early-loss-pct", default="0", help="donor cells lost in a day, %% (default 0)")
        parser.add_argument("--step", action="append", required=True, type=split_step, help=STEP_FORM)
        parser.add_argument("--format", choices=["json"], default="json")

    def handle(self, *args: Any, **options: Any) -> None:
        faults: list[str] = []
        figures = {name: read_figure(options[name], name, faults) for name in RANGES}
        steps = [read_step(parts, number, faults) for number, parts in enumerate(options["step"], start=1)]
        if faults:
            raise CommandError("\n".join(faults))
        volume_ml, rule = volume_of(figures, options["sex"])
        start = Start(volume_ml, figures["hb_pre"], figures["hbs_pre"], figures["weight_kg"])
        try:
            outcome = run_steps(
                start,
                [step for step in steps if step],
                mixing=figures["mixing"],
                early_loss=figures["early_loss_pct"] / 100.0,
                iron_mg_per_g=DEFAULTS["iron_mg_per_g_hb"],
            )
        except ValueError as error:
            raise CommandError(f"--step: {error}.") from error
        self.stderr.write(f"Blood volume {volume_ml:.0f} mL: {rule}. {CAUTION}", self.style.NOTICE)
        self.stdout.write(json.dumps(as_object(outcome), indent=2, allow_nan=False))


def split_step(text: str) -> list[str]:
    """The parts of one --step; its numbers are read later, so that all faults are named together."""
    parts = text.split(":")
    if len(parts) not in (3, 4) or parts[0] not in ("saline", "red_cells"):
        raise argparse.ArgumentTypeError(f"{text!r} is not {STEP_FORM}")
    return parts


def read_figure(text: str | None, name: str, faults: list[str]) -> float:
    """The number of one argument, nan when it was not given; what is wrong with it goes to `faults`."""
    if text is None:
        return math.nan
    low, high, unit = RANGES[name]
    try:
        return parse_number(text, name=f"--{name.replace('_', '-')}", low=low, high=high, unit=unit)
    except BadNumber as error:
        faults.append(f"{error}{gram_per_decilitre_hint(text) if name == 'hb_pre' else ''}")
        return math.nan


def read_step(parts: list[str], number: int, faults: list[str]) -> Step | None:
    """One step; what is wrong with its numbers goes to `faults`, and None comes back."""
    fluid = cast(Literal["saline", "red_cells"], parts[0])
    lowest_hb = 0.0 if fluid == "saline" else LEAST_CELLS_HB_G_L
    ranges = {**STEP_RANGES, "hb_g_l": (lowest_hb, MOST_CELLS_HB_G_L, "g/L")}
    values: dict[str, float] = {"hb_g_l": 0.0 if fluid == "saline" else UNIT_HB_G_L}
    before = len(faults)
    for name, text in zip(ranges, parts[1:], strict=False):
        low, high, unit = ranges[name]
        try:
            values[name] = parse_number(text, name=f"--step {number}, {name}", low=low, high=high, unit=unit)
        except BadNumber as error:
            faults.append(str(error))
    return Step(fluid, **values) if len(faults) == before else None


def volume_of(figures: dict[str, float], sex: str | None) -> tuple[float, str]:
    """Blood volume and where it comes from."""
    if not math.isnan(figures["blood_volume_ml"]):
        return figures["blood_volume_ml"], "as given"
    if sex is None or math.isnan(figures["weight_kg"]):
        raise CommandError("--sex and --weight-kg are needed unless --blood-volume-ml is given.", returncode=WRONG_USE)
    height_cm, weight_kg, age_years = figures["height_cm"], figures["weight_kg"], figures["age_years"]
    female = sex == "F"
    volume = blood_volume_ml(female=female, height_cm=height_cm, weight_kg=weight_kg, age_years=age_years)
    rule = volume_rule(female=female, height_cm=height_cm, weight_kg=weight_kg, age_years=age_years)
    return float(volume), rule


def as_object(outcome: SessionOutcome) -> dict[str, Any]:
    """The outcome as JSON can hold it: nan, a figure that does not exist, is null."""
    fields = {name: value for name, value in asdict(outcome).items() if name not in NOT_SHOWN}
    fields["steps"] = [{name: none_for_nan(value) for name, value in step.items()} for step in fields["steps"]]
    return {name: value if name == "steps" else none_for_nan(value) for name, value in fields.items()}


def none_for_nan(value: float) -> float | None:
    return None if math.isnan(value) else value


def gram_per_decilitre_hint(text: str) -> str:
    try:
        value = parse_number(text, name="", low=3, high=20)
    except BadNumber:
        return ""
    return f" If this is g/dL, write {value * 10:g}."
