"""Forms of chairs, starts, opening hours, days that differ, staff and other uses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.db.models import Field

from programme.booking.models import Chair, ClosedDay, OpeningHours, OtherUse, Slot, StaffLimit
from programme.booking.numeric.calendar import WEEKDAYS
from programme.booking.numeric.staff import COUNTED
from programme.booking.queries.chairs import chairs_there, countries_known
from programme.core.fields import DayField
from programme.core.models import Site, Versioned


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of row: what a new one asks for, and what of it can be changed later."""

    model: type[Versioned]
    words: str
    new: tuple[str, ...]
    later: tuple[str, ...]
    lede: str


KINDS: Mapping[str, Kind] = {
    "chair": Kind(
        Chair, "chair", ("name", "since", "until", "note"), ("name", "place", "until", "note"),
        "A chair where exchanges can be run. It needs at least one start before anybody can be booked.",
    ),
    "slot": Kind(
        Slot, "start", ("chair", "starts", "ends", "since", "until"), ("until",),
        "An exchange begun at the start has the chair at least until the end. Most chairs have one start a day.",
    ),
    "opening": Kind(
        OpeningHours, "opening hours", ("weekday", "opens", "closes", "since", "until"), ("until",),
        "The unit is open for exchanges on this weekday. Bank holidays are closed unless a day says otherwise.",
    ),
    "closed": Kind(
        ClosedDay, "day that differs", ("on", "closes", "works", "words"), ("closes", "works", "words"),
        "A day on which the unit is closed or closes early, or a bank holiday on which it works.",
    ),
    "staff": Kind(
        StaffLimit, "staff limit", ("weekday", "most", "since", "until", "words"), ("until", "words"),
        f"How many exchanges staff can run at once. {COUNTED} Where several limits hold, the smallest counts.",
    ),
    "use": Kind(
        OtherUse, "other use", ("chair", "weekday", "starts", "ends", "since", "until", "words"), ("until", "words"),
        "A chair that is used for something else, on a weekday or on single days, all day or for some hours.",
    ),
}  # fmt: skip

LABELS = {
    "name": "Name", "place": "Order in the diary", "since": "First day", "until": "Last day", "note": "Note",
    "chair": "Chair", "starts": "Start", "ends": "Has the chair to", "weekday": "Weekday", "opens": "Opens",
    "closes": "Closes", "on": "Day", "works": "Open as usual", "words": "Why", "most": "Exchanges at once",
}  # fmt: skip
HINTS = {
    "until": "leave empty while it goes on", "name": "as it stands in the diary, such as Chair 1",
    "words": "shown in the diary",
}  # fmt: skip
DAY_HINT = "such as 9 Jun 2026"
WIDE = {"note", "words", "reason", "weekdays", "travel"}


class TimeInput(forms.TimeInput):
    input_type = "time"

    def __init__(self) -> None:
        super().__init__(format="%H:%M")


def field_of(column: Field[Any, Any], **kwargs: Any) -> forms.Field | None:
    """The form's field of a column: days as they are typed everywhere, weekdays by name."""
    if column.name == "weekday":
        empty = [("", "every day")] if column.null else []
        days = [*empty, *enumerate(WEEKDAYS)]
        return forms.TypedChoiceField(choices=days, coerce=int, empty_value=None, required=not column.null)
    if column.get_internal_type() == "DateField":
        kwargs["form_class"] = DayField
    elif column.get_internal_type() == "TimeField":
        kwargs["widget"] = TimeInput()
    made: forms.Field | None = column.formfield(**kwargs)
    return made


class Dressed:
    """What every form here has: the one-time key, the version, labels and hints of its fields."""

    def dress(self, fields: Mapping[str, forms.Field], labels: Mapping[str, str], hints: Mapping[str, str]) -> None:
        for name, field in fields.items():
            field.label = labels.get(name, field.label)
            field.help_text = hints.get(name, DAY_HINT if isinstance(field, DayField) else "")
            field.wide = name in WIDE  # type: ignore[attr-defined]
            field.is_tick = isinstance(field, forms.BooleanField)  # type: ignore[attr-defined]
            field.is_many = isinstance(field, forms.MultipleChoiceField)  # type: ignore[attr-defined]
            if not field.is_tick and not field.is_many and not field.widget.is_hidden:  # type: ignore[attr-defined]
                field.widget.attrs.setdefault("class", "t")


class RuleForm(forms.ModelForm, Dressed):  # type: ignore[type-arg]
    """A new row, or what of one can be changed, with the reason."""

    receipt = forms.CharField(max_length=64, widget=forms.HiddenInput, required=False)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    use_required_attribute = False

    def __init__(self, *args: Any, site: Site, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if "chair" in self.fields:
            self.fields["chair"].queryset = chairs_there(site, today)  # type: ignore[attr-defined]
        labels, hints = dict(LABELS), dict(HINTS)
        if self._meta.model is ClosedDay and not self.instance.pk:
            self.fields["to"] = DayField(label="To", required=False)
            self.order_fields(["on", "to"])
            hints["to"] = "the last of several days; leave empty for one"
        if self._meta.model is OtherUse:
            labels |= {"starts": "From", "ends": "To", "words": "Used for"}
            hints |= {"starts": "leave both hours empty for the whole day"}
        if self._meta.model is ClosedDay:
            hints["closes"] = "leave empty where it is closed all day"
            hints["works"] = "a bank holiday that is worked, or a closure taken back"
        if self.instance.pk:
            self.fields["reason"] = forms.CharField(max_length=400, label="Why it is changed")
            hints["reason"] = "kept with the change"
        self.dress(self.fields, labels, hints)


def rule_form(kind: Kind, *, new: bool) -> type[RuleForm]:
    """The form of a kind of row."""
    fields = kind.new if new else kind.later
    made = forms.modelform_factory(kind.model, form=RuleForm, fields=fields, formfield_callback=field_of)
    assert issubclass(made, RuleForm)
    return made


class HolidaysForm(forms.Form, Dressed):
    """Whose bank holidays hold for the unit, with the reason of the change."""

    receipt = forms.CharField(max_length=64, widget=forms.HiddenInput, required=False)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    country = forms.ChoiceField(choices=countries_known)
    region = forms.CharField(max_length=6, required=False)
    reason = forms.CharField(max_length=400, label="Why it is changed")
    use_required_attribute = False

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        hints = {
            "region": "its code, where bank holidays differ by region: ENG, NIR, SCT or WLS in the United Kingdom",
            "reason": "kept with the change",
        }
        self.dress(self.fields, {"country": "Country", "region": "Region"}, hints)
