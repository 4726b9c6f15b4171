"""The checks before starting: what is asked at the chair, held against what is recorded."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from patients.models import Sex
from programme.bedside.forms.vitals import vital_field
from programme.bedside.queries.start import Chairside
from programme.core.models import User
from programme.worklist.forms.fields import (
    ChoiceField,
    EdgeField,
    EdgeForm,
    MomentField,
    Part,
)
from programme.worklist.forms.reading import TypedMoment
from sessions.day.numeric import starting
from sessions.day.numeric.entries import VITALS
from sessions.day.numeric.starting import Answers, Finding, findings


class PickField(ChoiceField):
    """One of a few, all of them on the page and none picked beforehand."""

    is_many = True

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(widget=forms.RadioSelect(), **kwargs)


def _choice(label: str, *choices: tuple[str, str]) -> PickField:
    return PickField(label=label, choices=choices)


class StartForm(EdgeForm):
    """Name, birth date and wristband; how the person is; observations; what the prescriber lets pass, and why."""

    name_and_birth = _choice(
        "Name and birth date asked, and both fit this page", (starting.YES, "yes"), (starting.NO, "no, or not answered")
    )
    wristband = EdgeField(label="Wristband", most=60, help_text="scan it, or type the reference on it")
    access = _choice("Access", (starting.ACCESS_IN, "in and tested"), (starting.ACCESS_FAILED, "failed"))
    infection = _choice("Fever or signs of infection", (starting.NO, "none"), (starting.YES, "yes"))
    pregnancy = _choice(
        "Pregnancy",
        (starting.NOT_PREGNANT, "asked or tested: not pregnant"),
        (starting.MAY_BE, "may be"),
        (starting.PREGNANT, "pregnant"),
    )
    medicines = _choice(
        "Medicines to hold",
        (starting.HELD, "held as agreed"),
        (starting.NONE_TO_HOLD, "none to hold"),
        (starting.NOT_HELD, "one was taken"),
    )
    taken = MomentField(label="Observations taken at", help_text="empty for now")
    bp_sys = vital_field("bp_sys", "Systolic")
    bp_dia = vital_field("bp_dia", "Diastolic")
    pulse = vital_field("pulse", "Pulse")
    temp_c = vital_field("temp_c", "Temperature")
    spo2 = vital_field("spo2", "Oxygen saturation")
    resp = vital_field("resp", "Breaths")
    decided_by = ChoiceField(label="Prescriber who lets it go on", choices=[("", "nobody asked")])
    secret = EdgeField(
        label="Their PIN or password", most=128, help_text="typed by themselves",
        widget=forms.PasswordInput(attrs={"class": "t", "autocomplete": "off"}),
    )  # fmt: skip
    reason = EdgeField(label="Why", most=400, wide=True)

    parts = (
        Part("Who this is", ("name_and_birth", "wristband")),
        Part("How they are", ("access", "infection", "pregnancy", "medicines")),
        Part("Observations", ("taken", "bp_sys", "bp_dia", "pulse", "temp_c", "spo2", "resp"),
             note="within the hour before the start"),
        Part("The prescriber", ("decided_by", "secret", "reason"), note="only where something above needs a decision"),
    )  # fmt: skip

    def __init__(
        self, *args: Any, chairside: Chairside, prescribers: Mapping[int, User], signed_in: User, now: datetime,
        **kwargs: Any,
    ) -> None:  # fmt: skip
        super().__init__(*args, **kwargs)
        self.chairside, self.prescribers, self.signed_in, self.now = chairside, prescribers, signed_in, now
        self.found: tuple[Finding, ...] = ()
        names = [(str(pk), user.full_name) for pk, user in prescribers.items()]
        self.fields["decided_by"].choices = [("", "nobody asked"), *names]  # type: ignore[attr-defined]
        if set(prescribers) == {signed_in.pk}:
            del self.fields["secret"]
        if chairside.patient.sex == Sex.MALE or not chairside.may_be_pregnant(now.date()):
            del self.fields["pregnancy"]

    @property
    def weight_holds(self) -> bool:
        return self.chairside.weight_holds(self.now.date())

    def clean(self) -> dict[str, Any]:
        super().clean()
        try:
            self.observed_at = self._observed_at()
        except ValueError as error:
            self.observed_at = self.now
            self.refuse("taken", f"Observations taken at: {error}")
        self.found = findings(self.answers(), self.chairside.settings)
        if self.must_prove and not self.cleaned_data.get("secret"):
            self.refuse("secret", "Who lets it go on types their own PIN or password here.")
        refused = {field.name for field in self if field.stop}
        for finding in self.found:
            if self._field_of(finding) not in refused:
                self._place(finding)
        return self.cleaned_data

    def _place(self, finding: Finding) -> None:
        """Put what stands in the way beside its field; what a prescriber let pass no longer stands there."""
        passed = finding.may_go_on and self.cleaned_data.get("decided_by") and self.cleaned_data.get("reason")
        if passed:
            return
        words = finding.words
        if finding.may_go_on:
            words = f"{words} To go on, name the prescriber who decided and the reason."
        self.add_error(self._field_of(finding), forms.ValidationError(words, code="stop"))

    def _field_of(self, finding: Finding) -> str | None:
        name = "taken" if finding.name == "taken_at" else finding.name
        return name if name in self.fields else None

    def _observed_at(self) -> datetime:
        typed = self.cleaned_data.get("taken")
        if not isinstance(typed, TypedMoment):
            return self.now
        at = typed.about(self.now, ZoneInfo(self.chairside.patient.site.time_zone))
        if at > self.now + timedelta(minutes=1):
            raise ValueError("this time is still to come.")
        return at

    def answers(self) -> Answers:
        """Return what was answered, beside what is recorded."""
        given, known = self.cleaned_data, self.chairside
        today: date = self.now.date()
        return Answers(
            name_and_birth=given.get("name_and_birth") or "",
            wristband=given.get("wristband") or "",
            patient_ref=known.patient.patient_ref,
            consent_until=known.consent_until,
            today=today,
            infection=given.get("infection") or "",
            pregnancy=given.get("pregnancy", starting.CANNOT_BE) or "",
            access=given.get("access") or "",
            medicines=given.get("medicines") or "",
            systolic_mmhg=given.get("bp_sys"),
            temp_c=given.get("temp_c"),
            observations_age_min=(self.now - self.observed_at).total_seconds() / 60.0,
            weight_kg=known.weight_kg,
            weight_age_days=None if known.weight_on is None else (today - known.weight_on).days,
            age_years=known.patient.age_years(today),
            no_unit=known.no_unit,
        )

    def said(self) -> dict[str, Any]:
        """Return the answers as they are kept with the session."""
        names = ("name_and_birth", "wristband", "access", "infection", "pregnancy", "medicines")
        said = {name: self.cleaned_data.get(name) or "" for name in names}
        return said | {"consent_until": str(self.chairside.consent_until or "")}

    def observation(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in VITALS if self.cleaned_data.get(name) is not None}

    @property
    def must_prove(self) -> bool:
        """Whether somebody other than who is signed in is named as letting the start go on."""
        decided = self.decided()
        return bool(self.found) and decided is not None and decided.pk != self.signed_in.pk

    def decided(self) -> User | None:
        chosen = self.cleaned_data.get("decided_by")
        return self.prescribers.get(int(chosen)) if chosen else None
