"""Forms of consent and of the crossmatch sample."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from patients.numeric.groups import ABO, RHD
from programme.worklist.forms.fields import ChoiceField, DayField, EdgeField, EdgeForm, MomentField, Part


class ConsentForm(EdgeForm):
    """Consent to the exchange programme, with the day up to which it holds."""

    given_on = DayField(label="Given on", required=True)
    valid_until = DayField(label="In date until", required=True)
    given_by = EdgeField(label="Given by", required=True, most=80, help_text="the person, or who for them")
    note = EdgeField(label="Note", wide=True)

    parts = (Part("Consent", ("given_on", "valid_until", "given_by", "note"), note="local policy says for how long"),)

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("given_on")
        given, until = self.cleaned_data.get("given_on"), self.cleaned_data.get("valid_until")
        if given is not None and until is not None and until < given:
            self.refuse("valid_until", "Consent cannot end before it was given.")
        return self.cleaned_data


class CrossmatchForm(EdgeForm):
    """A group-and-screen sample as it was taken."""

    taken_on = DayField(label="Taken on", required=True)
    taken_at = MomentField(label="At", required=True, help_text="such as 15:40")
    note = EdgeField(label="Note", wide=True)
    why_after = EdgeField(
        label="What it is for", wide=True, help_text="only where it was taken after the start of that day's exchange"
    )

    parts = (Part("Crossmatch sample", ("taken_on", "taken_at", "note", "why_after")),)

    def __init__(self, *args: Any, zone: ZoneInfo, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = zone

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("taken_on")
        on, typed = self.cleaned_data.get("taken_on"), self.cleaned_data.get("taken_at")
        if on is not None and typed is not None:
            try:
                typed.in_zone(self.zone, on)
            except ValueError as error:
                self.refuse("taken_at", str(error))
        return self.cleaned_data

    def moment(self) -> datetime:
        """When the sample of a valid form was taken."""
        moment: datetime = self.cleaned_data["taken_at"].in_zone(self.zone, self.cleaned_data["taken_on"])
        return moment


class GroupFoundForm(EdgeForm):
    """The group that the laboratory found on a sample."""

    abo = ChoiceField(label="ABO", choices=[("", "not chosen"), *ABO])
    rhd = ChoiceField(label="D", choices=[("", "not chosen"), *RHD])
    why = EdgeField(label="Why another one", wide=True, help_text="only where another is recorded for this sample")

    parts = (Part("Group found", ("abo", "rhd", "why"), note="as the laboratory reported it on this sample"),)


class TakenBackForm(EdgeForm):
    """Consent taken back on a day."""

    on = DayField(label="On", required=True)
    why = EdgeField(label="Why, as far as it was said", required=True, wide=True)

    parts = (Part("Taken back", ("on", "why"), note="the row stays in the record"),)
