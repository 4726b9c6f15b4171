"""What a consultant decides and notes in clinic: a decision, a note, a check that was done, two spans to compare."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from patients.goals import GoalFigures, figures_of
from patients.models import Analyte, Goals
from patients.numeric.checks import BY_NAME, CHECKS
from programme.worklist.forms.fields import ChoiceField, DayField, EdgeField, EdgeForm, Part, QuantityField, Soft
from programme.worklist.forms.people import METHODS

MEASURED = {"ferritin": (Analyte.FERRITIN, 200000.0), "liver_iron": (Analyte.LIVER_IRON, 100.0)}
"""Checks whose value is a result: analyte and greatest possible value in its stored unit."""


class DecisionForm(EdgeForm):
    """What the consultant changes; everything else in the goals stays."""

    hbs_ceiling_pct = QuantityField(
        label="HbS ceiling before", required=True, low=20, high=60, unit="%",
        soft=Soft(25, 40, "most here have 30."),
    )  # fmt: skip
    accepted_chance = QuantityField(
        label="Accepted chance", required=True, low=1, high=50, unit="in 100",
        help_text="of being over, a visit; 10 is about 75 in a year of 13",
    )  # fmt: skip
    usual_interval_days = QuantityField(
        label="Interval", low=7, high=84, unit="days", whole=True, help_text="empty: as they have come"
    )
    end_target_hbs_pct = QuantityField(label="End target", low=2, high=59, unit="%", help_text="empty: as reckoned")
    method = ChoiceField(label="Method", choices=METHODS)
    review_on = DayField(label="Look at it again", required=True)
    reason = EdgeField(label="Why", required=True, most=400, wide=True)

    parts = (Part("Decision", ("hbs_ceiling_pct", "accepted_chance", "usual_interval_days", "end_target_hbs_pct",
                               "method", "review_on", "reason"),
                  note="counts from today; what was decided before stays as it was"),)  # fmt: skip

    def __init__(self, *args: Any, goals: Goals, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.goals = goals

    def clean(self) -> dict[str, Any]:
        super().clean()
        given, goals = self.cleaned_data, self.goals
        ceiling, end = given.get("hbs_ceiling_pct"), given.get("end_target_hbs_pct")
        if end is not None and ceiling is not None and end >= ceiling:
            self.refuse("end_target_hbs_pct", "The end target must lie under the ceiling.")
        days = given.get("usual_interval_days")
        if days is not None and not goals.shortest_interval_days <= days <= goals.longest_interval_days:
            low, high = goals.shortest_interval_days, goals.longest_interval_days
            self.refuse("usual_interval_days", f"This person’s goals allow {low} to {high} days; change those first.")
        if given.get("review_on") is not None and given["review_on"] <= self.today:
            self.refuse("review_on", "The day of review must lie ahead.")
        return given

    def figures(self) -> GoalFigures:
        given = self.cleaned_data
        days = given["usual_interval_days"]
        return replace(
            figures_of(self.goals),
            hbs_ceiling_pct=given["hbs_ceiling_pct"],
            accepted_chance=given["accepted_chance"] / 100,
            usual_interval_days=None if days is None else int(days),
            end_target_hbs_pct=given["end_target_hbs_pct"],
            method=given["method"],
            review_on=given["review_on"],
        )

    @staticmethod
    def initial_of(goals: Goals) -> dict[str, Any]:
        names = ("hbs_ceiling_pct", "usual_interval_days", "end_target_hbs_pct", "method")
        return {name: getattr(goals, name) for name in names} | {
            "accepted_chance": round(100 * goals.accepted_chance, 6)
        }


class NoteForm(EdgeForm):
    """A note on the course."""

    on = DayField(label="Day", required=True)
    words = EdgeField(
        label="Note", required=True, most=300, wide=True, help_text="a letter in the picture stands for it"
    )

    parts = (Part("Note", ("on", "words")),)

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("on")
        return self.cleaned_data


class CheckForm(EdgeForm):
    """A check that was done."""

    check_name = ChoiceField(label="Check", required=True, choices=[(check.name, check.words) for check in CHECKS])
    on = DayField(label="Done on", required=True)
    value = QuantityField(
        label="Value", low=0, high=200000, unit="", help_text="ferritin in µg/L, liver iron in mg per g of dry weight"
    )
    words = EdgeField(label="What came of it", most=300, wide=True)

    parts = (Part("Check done", ("check_name", "on", "value", "words")),)

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("on")
        name, value = self.cleaned_data.get("check_name"), self.cleaned_data.get("value")
        if name in MEASURED and value is None and not self.errors.get("value"):
            self.refuse("value", f"Enter the value of {BY_NAME[name].words}: it is kept as a result.")
        if name in MEASURED and value is not None and value > MEASURED[name][1]:
            self.refuse("value", f"{BY_NAME[name].words}: allowed is 0 to {MEASURED[name][1]:g}.")
        if name and name not in MEASURED and value is not None:
            self.refuse("value", "This check has no value here; write what came of it.")
        return self.cleaned_data


class SpansForm(EdgeForm):
    """Two spans to set side by side."""

    first_from = DayField(label="First from", required=True)
    first_to = DayField(label="to", required=True)
    second_from = DayField(label="Second from", required=True)
    second_to = DayField(label="to", required=True)

    def clean(self) -> dict[str, Any]:
        super().clean()
        for which in ("first", "second"):
            begins, ends = self.cleaned_data.get(f"{which}_from"), self.cleaned_data.get(f"{which}_to")
            if begins and ends and ends < begins:
                self.refuse(f"{which}_to", "A span cannot end before it begins.")
        return self.cleaned_data

    def spans(self) -> tuple[tuple[date, date], tuple[date, date]]:
        given = self.cleaned_data
        return (given["first_from"], given["first_to"]), (given["second_from"], given["second_to"])
