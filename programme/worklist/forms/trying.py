"""The figures and steps of a session tried by hand, as typed in the address of the page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from django import forms
from django.http import QueryDict

from programme.worklist.forms.fields import ChoiceField, EdgeForm, HaemoglobinField, QuantityField
from programme.worklist.numeric.trying import Figures
from sessions.numeric.exchange import Step

MOST_STEPS = 20
FLUIDS = (("saline", "Saline"), ("red_cells", "Red cells"))
FIGURES = ("sex", "height_cm", "weight_kg", "blood_volume_ml", "hb_g_l", "hbs_pct")
STEP_PARTS = ("fluid", "in_ml", "out_ml", "cells_hb_g_l")


class TryForm(EdgeForm):
    """Whom the session would be for: no one, only figures."""

    sex = ChoiceField(label="Sex", required=True, choices=[("F", "F"), ("M", "M")], widget=forms.RadioSelect)
    height_cm = QuantityField(label="Height", low=40, high=230, unit="cm")
    weight_kg = QuantityField(label="Weight", required=True, low=2, high=300, unit="kg")
    blood_volume_ml = QuantityField(label="Blood volume", low=100, high=12000, unit="mL")
    hb_g_l = HaemoglobinField(label="Hb before", required=True)
    hbs_pct = QuantityField(label="HbS before", required=True, low=0, high=100, unit="%")

    def figures(self) -> Figures:
        """Return the figures of a valid form; what was left empty is nan."""
        given = {name: math.nan if value is None else value for name, value in self.cleaned_data.items()}
        return Figures(
            female=given["sex"] == "F",
            height_cm=given["height_cm"],
            weight_kg=given["weight_kg"],
            hb_g_l=given["hb_g_l"],
            hbs_pct=given["hbs_pct"],
            blood_volume_ml=given["blood_volume_ml"],
        )


class StepForm(EdgeForm):
    """One step: fluid in and blood out at the same time; either may be nothing, not both."""

    fluid = ChoiceField(label="Fluid", required=True, choices=FLUIDS)
    in_ml = QuantityField(label="In", required=True, low=0, high=3000, unit="mL")
    out_ml = QuantityField(label="Out", required=True, low=0, high=3000, unit="mL")
    cells_hb_g_l = HaemoglobinField(label="Hb of the cells", low=100, high=300)

    @property
    def gives_cells(self) -> bool:
        return self.data.get(self.add_prefix("fluid")) == "red_cells"

    def step(self, unit_hb_g_l: float) -> Step:
        """Return the step of a valid form; red cells without an Hb of their own have the unit's."""
        given, drawn = self.cleaned_data["in_ml"], self.cleaned_data["out_ml"]
        if not self.gives_cells:
            return Step("saline", given, drawn)
        return Step("red_cells", given, drawn, self.cleaned_data["cells_hb_g_l"] or unit_hb_g_l)


@dataclass(frozen=True, slots=True)
class TypedSession:
    """What was typed, as text, after the button that was pressed has done its work."""

    figures: dict[str, str]
    steps: list[dict[str, str]]
    moved: int = 0
    said: str = ""
    undo: str = ""

    @classmethod
    def from_query(cls, query: QueryDict, unit: Mapping[str, str]) -> TypedSession:
        """Read the address; `unit` holds the text of a new red cell step ('in_ml', 'cells_hb_g_l')."""
        figures = {name: query.get(name, "")[:24] for name in FIGURES}
        count = sum(1 for number in range(1, MOST_STEPS + 1) if f"s{number}-fluid" in query)
        steps = [
            {part: query.get(f"s{number}-{part}", "")[:24] for part in STEP_PARTS} for number in range(1, count + 1)
        ]
        if not steps and "do" not in query:
            steps = [new_step("saline", unit), new_step("unit", unit)]
        return cls(figures, steps).after(query.get("do", ""), unit)

    def after(self, action: str, unit: Mapping[str, str]) -> TypedSession:
        """Return what stands after 'up-3', 'down-3', 'out-3' or 'add-saline'; an unknown action changes nothing."""
        verb, _, what = action.partition("-")
        if verb == "add" and what in NEW_STEPS and len(self.steps) < MOST_STEPS:
            number = len(self.steps) + 1
            added = [*self.steps, new_step(what, unit)]
            return TypedSession(self.figures, added, number, f"Step {number} was added", f"out-{number}")
        place = int(what) - 1 if what.isdecimal() else -1
        if not 0 <= place < len(self.steps):
            return self
        steps = list(self.steps)
        if verb == "out" and len(steps) > 1:
            steps.pop(place)
            return TypedSession(self.figures, steps, 0, f"Step {place + 1} was taken out")
        to = place + {"up": -1, "down": 1}.get(verb, 0)
        if to == place or not 0 <= to < len(steps):
            return self
        steps[place], steps[to] = steps[to], steps[place]
        back = f"{'down' if verb == 'up' else 'up'}-{to + 1}"
        return TypedSession(self.figures, steps, to + 1, f"Step {place + 1} was just moved {verb}", back)

    def forms(self, today: date) -> tuple[TryForm, list[StepForm]]:
        figures = TryForm(self.figures if any(self.figures.values()) else None, today=today)
        steps = [
            StepForm({f"s{n}-{part}": text for part, text in step.items()}, prefix=f"s{n}", today=today)
            for n, step in enumerate(self.steps, start=1)
        ]
        return figures, steps

    @property
    def query(self) -> str:
        """The address of exactly this session, without the button."""
        address = QueryDict(mutable=True)
        address.update({name: text for name, text in self.figures.items() if text})
        for number, step in enumerate(self.steps, start=1):
            address.update({f"s{number}-{part}": text for part, text in step.items()})
        return address.urlencode()


NEW_STEPS = {
    "saline": {"fluid": "saline", "in_ml": "250", "out_ml": "250"},
    "unit": {"fluid": "red_cells", "out_ml": "250"},
    "bleed": {"fluid": "saline", "in_ml": "0", "out_ml": "250"},
    "give": {"fluid": "red_cells", "out_ml": "0"},
}


def new_step(kind: str, unit: Mapping[str, str]) -> dict[str, str]:
    """Return a new step as text; red cells take the volume and Hb of the site's unit."""
    fixed = NEW_STEPS[kind]
    cells = {"in_ml": unit["in_ml"], "cells_hb_g_l": unit["cells_hb_g_l"]} if fixed["fluid"] == "red_cells" else {}
    return {"in_ml": "", "out_ml": "", "cells_hb_g_l": "", **cells, **fixed}
