"""Forms about a person: who they are, measures, goals, what blood they must have, standing on the programme."""

from __future__ import annotations

from datetime import date
from typing import Any

from patients.goals import GoalFigures
from patients.models import Genotype, Goals, Leaving, Patient, Sex, Spleen, Standing, TransfusionNeeds
from patients.services import PersonDetails
from programme.worklist.forms.fields import (
    ChoiceField,
    DayField,
    EdgeField,
    EdgeForm,
    HaemoglobinField,
    Part,
    QuantityField,
    Soft,
    TickField,
    TicksField,
)
from sessions.models import Method
from sessions.numeric.unlikely import body_words

WEEKDAYS = [(str(n), name) for n, name in enumerate(("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"))]
METHODS = [("", "as the access allows"), *Method.choices[:-1]]
USUAL_UNTRANSFUSED = {
    Genotype.SS: (75.0, 95.0), Genotype.S_BETA_0: (70.0, 95.0), Genotype.SC: (90.0, 100.0),
    Genotype.S_BETA_PLUS: (55.0, 90.0),
}  # fmt: skip
"""Untransfused HbS share (HbS + HbC in SC disease) in which most lie: from memory; outside it is asked, not refused."""

GREATEST_WEIGHT_JUMP = 0.15
"""A change of weight beyond this share is asked about. Chosen here."""


class PersonForm(EdgeForm):
    """Who a person is."""

    patient_ref = EdgeField(label="Own reference", required=True, most=40, help_text="the unit’s own, unique here")
    family_name = EdgeField(label="Family name", most=80)
    given_name = EdgeField(label="Given name", most=80)
    birth_date = DayField(label="Born", help_text="such as 14 Mar 2011; without it adult rules apply")
    sex = ChoiceField(label="Sex", required=True, choices=[("", "choose"), *Sex.choices], help_text="for blood volume")
    height_cm = QuantityField(label="Height", low=40, high=230, unit="cm", help_text="as measured today")
    weight_kg = QuantityField(label="Weight", low=2, high=300, unit="kg", help_text="as measured today")
    language = EdgeField(label="Speaks", most=40)
    vascular_access = EdgeField(label="Access", most=80, help_text="for example: both arms, 18 G")
    genotype = ChoiceField(label="Genotype", choices=[("", "not recorded"), *Genotype.choices[:-1]])
    untransfused_pct = QuantityField(
        label="Untransfused HbS", low=30, high=100, unit="%", help_text="with HbC in SC; empty takes the genotype’s"
    )
    spleen = ChoiceField(label="Spleen", choices=[("", "not recorded"), *Spleen.choices[:-1]])
    flag_brain = TickField(label="cerebrovascular disease")
    flag_heart = TickField(label="cardiac disease")
    flag_lung_pressure = TickField(label="raised lung pressure")
    pregnant_since = DayField(label="Pregnant since")
    pregnant_until = DayField(label="Pregnant until")
    note = EdgeField(label="Note", most=400, wide=True)

    parts = (
        Part("Who", ("patient_ref", "family_name", "given_name", "birth_date", "sex", "language", "height_cm",
                     "weight_kg", "vascular_access")),
        Part("Haemoglobin", ("genotype", "untransfused_pct", "spleen")),
        Part("What changes the limits", ("flag_brain", "flag_heart", "flag_lung_pressure", "pregnant_since",
                                         "pregnant_until", "note"),
             note="a flag raises the Hb floor and puts saline first off; in pregnancy nothing is suggested"),
    )  # fmt: skip

    def __init__(self, *args: Any, adding: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not adding:
            for name in ("patient_ref", "height_cm", "weight_kg"):
                del self.fields[name]

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("birth_date", "pregnant_since")
        given = self.cleaned_data
        usual = USUAL_UNTRANSFUSED.get(given.get("genotype", ""))
        share = given.get("untransfused_pct")
        if usual and share is not None and not usual[0] <= share <= usual[1]:
            words = Genotype(given["genotype"]).label
            self.ask("untransfused_pct", f"{share:g} %: for {words} most lie from {usual[0]:g} to {usual[1]:g}.")
        ask_about_body(self)
        since, until = given.get("pregnant_since"), given.get("pregnant_until")
        if until is not None and (since is None or until < since):
            self.refuse("pregnant_until", "A pregnancy cannot end before it starts; enter both days.")
        return given

    def details(self) -> PersonDetails:
        names = PersonDetails.__dataclass_fields__
        return PersonDetails(**{name: self.cleaned_data[name] for name in names})

    @staticmethod
    def initial_of(patient: Patient) -> dict[str, Any]:
        return {name: getattr(patient, name) for name in PersonDetails.__dataclass_fields__} | {
            "version": patient.version
        }


class NeedsForm(EdgeForm):
    """What blood a person must have, and an antibody newly found."""

    abo = ChoiceField(label="ABO", choices=[("", "not recorded"), ("O", "O"), ("A", "A"), ("B", "B"), ("AB", "AB")])
    rhd = ChoiceField(label="D", choices=[("", "not recorded"), ("+", "positive"), ("-", "negative")])
    own_type = EdgeField(label="Own Rh and K type", help_text="for example: D+ C− c+ E− e+, K−")
    antigens_to_avoid = EdgeField(label="Units must lack", help_text="antigens, for example: C, E, K")
    hbs_negative = TickField(label="HbS-negative units", initial=True)
    other = EdgeField(label="Other requirements")
    antibody = EdgeField(
        label="Antibody found", most=40, help_text="such as anti-E; permanent: can be added to, never taken away"
    )
    found_year = QuantityField(label="in the year", low=1950, high=2100, unit="", whole=True)
    found_elsewhere = TickField(label="found elsewhere")

    parts = (
        Part("Blood to give", ("abo", "rhd", "own_type", "antigens_to_avoid", "hbs_negative", "other")),
        Part("Antibody to add", ("antibody", "found_year", "found_elsewhere"),
             note="binding even when it can no longer be detected"),
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        super().clean()
        given = self.cleaned_data
        if (given.get("found_year") or given.get("found_elsewhere")) and not given.get("antibody"):
            self.refuse("antibody", "Name the antibody that was found.")
        if given.get("found_year") and given["found_year"] > self.today.year:
            self.refuse("found_year", f"{given['found_year']:g} is in the future.")
        return given

    def needs(self) -> dict[str, Any]:
        names = ("abo", "rhd", "own_type", "antigens_to_avoid", "hbs_negative", "other")
        return {name: self.cleaned_data[name] for name in names}

    @property
    def says_something(self) -> bool:
        return any(value for name, value in self.needs().items() if name != "hbs_negative")

    @staticmethod
    def initial_of(needs: TransfusionNeeds | None) -> dict[str, Any]:
        if needs is None:
            return {"hbs_negative": True}
        names = ("abo", "rhd", "own_type", "antigens_to_avoid", "hbs_negative", "other", "version")
        return {name: getattr(needs, name) for name in names}


class GoalsForm(EdgeForm):
    """What is decided for a person from a day on."""

    since = DayField(label="From", required=True)
    hbs_ceiling_pct = QuantityField(
        label="HbS ceiling before", required=True, low=20, high=60, unit="%",
        soft=Soft(25, 40, "most here have 30; a ceiling of 50 or more needs a reason."),
    )  # fmt: skip
    accepted_chance = QuantityField(
        label="Accepted chance", required=True, low=1, high=50, unit="in 100",
        soft=Soft(5, 30, "usual is 5 to 30 a visit; 10 a visit is about 75 in a year of 13 visits."),
        help_text="of being over, a visit; 10 is about 75 in a year of 13",
    )  # fmt: skip
    hb_ceiling_g_l = HaemoglobinField(label="Hb ceiling", required=True, low=90, high=130)
    greatest_rise_g_l = QuantityField(label="Greatest rise in a day", required=True, low=5, high=60, unit="g/L")
    hb_floor_g_l = HaemoglobinField(label="Hb floor on the way", low=50, high=110, help_text="empty takes the site’s")
    shortest_interval_days = QuantityField(
        label="Shortest interval", required=True, low=7, high=84, unit="days", whole=True
    )
    longest_interval_days = QuantityField(
        label="Longest interval", required=True, low=7, high=84, unit="days", whole=True
    )
    usual_interval_days = QuantityField(
        label="Usual interval", low=7, high=84, unit="days", whole=True, help_text="empty: as they have come"
    )
    end_target_hbs_pct = QuantityField(
        label="End target", low=2, high=59, unit="%", help_text="HbS after; empty: as reckoned"
    )
    units_most = QuantityField(label="Most units a session", low=1, high=12, unit="units", whole=True)
    clinic_days = TicksField(label="Usual clinic days", choices=WEEKDAYS, wide=True)
    method = ChoiceField(label="Method", choices=METHODS)
    review_on = DayField(label="Look at the goals again")
    reason = EdgeField(label="Why", most=400, wide=True)

    parts = (
        Part("Goals", ("since", "hbs_ceiling_pct", "accepted_chance", "end_target_hbs_pct", "reason", "hb_ceiling_g_l",
                       "hb_floor_g_l", "greatest_rise_g_l", "units_most", "shortest_interval_days",
                       "longest_interval_days", "usual_interval_days", "method", "review_on", "clinic_days"),
             note="dated; a later change never overwrites them"),
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        super().clean()
        given = self.cleaned_data
        ceiling = given.get("hbs_ceiling_pct")
        if ceiling is not None and ceiling >= 50 and not given.get("reason"):
            self.refuse("reason", "A ceiling of 50 % or more needs a reason.")
        shortest, longest = given.get("shortest_interval_days"), given.get("longest_interval_days")
        if shortest and longest and shortest > longest:
            self.refuse("shortest_interval_days", "The shortest interval cannot be longer than the longest.")
        end = given.get("end_target_hbs_pct")
        if end is not None and ceiling is not None and end >= ceiling:
            self.refuse("end_target_hbs_pct", "The end target must lie under the ceiling.")
        return given

    def figures(self) -> GoalFigures:
        given = self.cleaned_data
        whole = ("shortest_interval_days", "longest_interval_days", "usual_interval_days", "units_most")
        plain = ("hbs_ceiling_pct", "hb_ceiling_g_l", "greatest_rise_g_l", "hb_floor_g_l", "end_target_hbs_pct")
        counts: dict[str, Any] = {name: None if given[name] is None else int(given[name]) for name in whole}
        return GoalFigures(
            accepted_chance=given["accepted_chance"] / 100,
            clinic_days=",".join(given["clinic_days"]),
            method=given["method"],
            review_on=given["review_on"],
            **{name: given[name] for name in plain},
            **counts,
        )

    @staticmethod
    def initial_of(goals: Goals, today: date) -> dict[str, Any]:
        names = [name for name in GoalFigures.__dataclass_fields__ if name not in ("accepted_chance", "clinic_days")]
        return {name: getattr(goals, name) for name in names} | {
            "since": today,
            "accepted_chance": round(100 * goals.accepted_chance, 6),
            "clinic_days": [part for part in goals.clinic_days.split(",") if part],
        }


class MeasureForm(EdgeForm):
    """A weight, a height or both as measured on a day."""

    on = DayField(label="Measured on", required=True)
    weight_kg = QuantityField(label="Weight", low=2, high=300, unit="kg")
    height_cm = QuantityField(label="Height", low=40, high=230, unit="cm")
    source = EdgeField(label="Where or by whom", most=80)

    parts = (Part("Measure", ("on", "weight_kg", "height_cm", "source")),)

    def __init__(self, *args: Any, last_weight_kg: float, last_height_cm: float, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.last = {"weight_kg": (last_weight_kg, "kg"), "height_cm": (last_height_cm, "cm")}

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("on")
        given = self.cleaned_data
        if not self.errors and given.get("weight_kg") is None and given.get("height_cm") is None:
            self.refuse("weight_kg", "Enter a weight, a height or both.")
        for name, (last, unit) in self.last.items():
            ask_about_jump(self, name, last, unit)
        ask_about_body(self)
        return given


def ask_about_jump(form: EdgeForm, name: str, last: float, unit: str) -> None:
    """Ask about a measure that differs from the last one by more than GREATEST_WEIGHT_JUMP; nan: there is none."""
    value = form.cleaned_data.get(name)
    if value is not None and abs(value - last) > GREATEST_WEIGHT_JUMP * last:
        form.ask(name, f"{value:g} {unit}: the last one recorded is {last:g} {unit}.")


def ask_about_body(form: EdgeForm) -> None:
    """Ask about a weight that hardly goes with the height typed beside it."""
    weight, height = form.cleaned_data.get("weight_kg"), form.cleaned_data.get("height_cm")
    if weight is not None and height is not None and (words := body_words(weight, height)):
        form.ask("weight_kg", f"{words}: are both right? Blood volume and every limit in mL/kg rest on them.")


class StandingForm(EdgeForm):
    """Whether a person is on the programme."""

    standing = ChoiceField(label="Standing", required=True, choices=Standing.choices)
    standing_since = DayField(label="Since", required=True)
    left_because = ChoiceField(label="Left because", choices=[("", "has not left"), *Leaving.choices[:-1]])
    standing_review_on = DayField(label="Look at it again", help_text="a pause needs a day")
    standing_reason = EdgeField(label="Why", required=True, wide=True)

    parts = (Part("Standing", ("standing", "standing_since", "left_because", "standing_review_on", "standing_reason"),
                  note="who has left is kept, with the reason, and counts in reviews until that day"),)  # fmt: skip

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("standing_since")
        given = self.cleaned_data
        if given.get("standing") == Standing.LEFT and not given.get("left_because"):
            self.refuse("left_because", "Choose why they left: reviews count each reason apart.")
        if given.get("left_because") and given.get("standing") != Standing.LEFT:
            self.refuse("left_because", "This is for somebody who has left.")
        if given.get("standing") == Standing.PAUSED and not given.get("standing_review_on"):
            self.refuse("standing_review_on", "A pause needs a day on which it is looked at again.")
        return given

    @staticmethod
    def initial_of(patient: Patient) -> dict[str, Any]:
        names = ("standing", "standing_since", "left_because", "standing_review_on", "standing_reason", "version")
        return {name: getattr(patient, name) for name in names}
