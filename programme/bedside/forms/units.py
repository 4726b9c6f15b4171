"""Forms of a unit at the chair: brought, checked, started, ended, put away, taken back.

A scanner types and presses Enter; a code in a field that is not its own is refused with what it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from programme.bedside.forms.ending import TimedForm
from programme.core.numeric.days import read_day
from programme.worklist.forms.fields import (
    STOP,
    ChoiceField,
    EdgeField,
    EdgeForm,
    MomentField,
    Part,
    QuantityField,
    Soft,
    TickField,
    TicksField,
)
from programme.worklist.forms.reading import CLOCK
from programme.worklist.forms.sessions import volume
from sessions.day.numeric.blood_match import ASK, Needed, UnitBlood, differences, must_be_negative, typed_antigens
from sessions.day.numeric.blood_match import STOP as STOPS
from sessions.day.numeric.donation_number import BadCode, Expiry, Group, read_number, read_scan
from sessions.day.numeric.entries import MOST_IN_ONE_ENTRY_ML
from sessions.day.services.late_units import was_given
from sessions.day.services.units import AtTheChair, Label

GROUPS = [f"{abo}{rhd}" for abo in ("O", "A", "B", "AB") for rhd in ("+", "-")]
GROUP_CHOICES = [("", "as printed")] + [
    (group, f"{group[:-1]}, D {'positive' if group[-1] == '+' else 'negative'}") for group in GROUPS
]
HBS_CHOICES = [("", "not stated"), ("yes", "HbS-negative"), ("no", "HbS-positive")]
SCAN = {"data-scan": "", "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false", "class": "t"}


class ScanField(EdgeField):
    """A field that a scanner types into; cleaned by `read`."""

    scans = ""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(most=60, **kwargs)
        self.widget.attrs.update(SCAN | {"data-scan": self.scans})

    def clean(self, value: Any) -> Any:
        text = str(value or "").strip()
        if not text:
            if self.required:
                raise ValidationError(self.error_messages["required"], code=STOP)
            return self.empty_value
        try:
            return self.read(text)
        except ValueError as error:
            raise ValidationError(f"{error} What you typed is kept.", code=STOP) from error

    def read(self, text: str) -> Any:
        raise NotImplementedError


class NumberField(ScanField):
    """A donation number, scanned or typed with its check character."""

    scans = "number"

    def read(self, text: str) -> str:
        return read_number(text)


class ProductField(ScanField):
    """A product code as scanned, or as typed without its identifier."""

    scans = "product"

    def read(self, text: str) -> str:
        return read_scan(text if text.startswith("=") else f"=<{text}").product or _other(text)


class ExpiryField(ScanField):
    """The expiry as scanned, or a day, with a time after it where the label says one; cleaned to Expiry."""

    scans = "expiry"

    def read(self, text: str) -> Expiry:
        if text[:1] in "=&":
            return read_scan(text).expiry or _other(text)
        day, _, clock = text.rpartition(" ")
        if CLOCK.fullmatch(clock):
            at = MomentField(label=self.label).clean(clock)
            return Expiry(read_day(day), at.at)
        return Expiry(read_day(text))


def _other(text: str) -> Any:
    raise BadCode(f"{text[:20]!r} is another code of the label; scan it into its own field.")


class UnitForm(EdgeForm):
    """What the label and the laboratory's report say of one unit."""

    number = NumberField(
        label="Donation number", required=True, wide=True, help_text="scan it, or type it with its check character"
    )
    product = ProductField(label="Product code", help_text="scan it; tells two products of one donation apart")
    group = ChoiceField(label="Group of the unit", choices=GROUP_CHOICES, required=True)
    expiry = ExpiryField(label="Expiry", required=True, help_text="scan it, or 12 Jun 2026, or 12 Jun 2026 14:00")
    negative = TicksField(label="Stated negative for, by label or laboratory")
    hbs = ChoiceField(label="HbS of the unit", choices=HBS_CHOICES)
    others = EdgeField(label="Other antigens stated", most=120, help_text="for example Fy(a)- M+")
    volume_ml = QuantityField(
        label="Volume", low=50, high=450, unit="mL", soft=Soft(150, 400, "a red cell unit is usually 150 to 400 mL.")
    )
    hb_g = QuantityField(label="Haemoglobin in the unit", low=10, high=100, unit="g", help_text="if it is known")
    out_of_storage = MomentField(label="Left storage at", most=40, help_text="such as 09:40")
    marks = EdgeField(label="Special marks", most=200, wide=True, help_text="irradiated, washed, fresh")

    parts: tuple[Part, ...] = (
        Part("From the label", ("number", "group", "expiry", "product"), note="Enter ends a scan and goes on"),
        Part("Match", ("negative", "hbs", "others"), note="what this person's units must be"),
        Part("More", ("volume_ml", "hb_g", "out_of_storage", "marks")),
    )

    def __init__(self, *args: Any, needed: Needed, groups: Mapping[str, Group], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.needed, self.groups = needed, groups
        wanted = must_be_negative(needed)
        self.fields["negative"].choices = [(name, f"{name} ({why})") for name, why in wanted.items()]  # type: ignore[attr-defined]
        self.fields["number"].widget.attrs["autofocus"] = True
        if not wanted:
            del self.fields["negative"]

    @property
    def group_codes(self) -> dict[str, str]:
        """The site's own list of group codes, for the script that sends each scan to its field."""
        return {code: f"{group.abo}{group.rhd}" for code, group in self.groups.items()}

    def clean(self) -> dict[str, Any]:
        super().clean()
        if not self.errors or set(self.errors) <= {"volume_ml"}:
            for difference in differences(self.blood(), self.needed):
                if difference.state == ASK:
                    self.ask("group" if difference.field == "group" else "number", difference.words)
        return self.cleaned_data

    def blood(self) -> UnitBlood:
        given = self.cleaned_data
        stated, positive = typed_antigens(given.get("others") or "")
        negative = (frozenset(given.get("negative") or ()) | stated) - positive
        group = given["group"]
        return UnitBlood(group[:-1], group[-1], negative, positive, {"yes": True, "no": False}.get(given["hbs"]))

    def label(self) -> Label:
        """Return the unit as typed; call it on a valid form."""
        given, blood = self.cleaned_data, self.blood()
        expiry: Expiry = given["expiry"]
        return Label(
            donation_number=given["number"],
            abo=blood.abo,
            rhd=blood.rhd,
            expires_on=expiry.on,
            expires_at=expiry.at,
            product_code=given["product"] or "",
            negative=blood.negative,
            positive=blood.positive,
            hbs_negative=blood.hbs_negative,
            volume_ml=given["volume_ml"],
            hb_g=given["hb_g"],
            special_marks=given["marks"] or "",
        )


class GivenUnitForm(UnitForm, TimedForm):
    """A unit that was given and not recorded at the chair: its label, and when, how much and who checked it."""

    started = MomentField(label="Started", required=True, help_text="such as 09:30")
    ended = MomentField(label="Ended", required=True, help_text="such as 10:15")
    given_ml = volume("Volume given of it", MOST_IN_ONE_ENTRY_ML, required=True)
    checked_by = EdgeField(label="Checked by", most=200, help_text="as the paper says; empty where nobody knows")
    why = EdgeField(label="How it was found out", required=True, most=400, wide=True)

    times = ("started", "ended")
    parts = (
        UnitForm.parts[0],
        Part("Given", ("started", "ended", "given_ml", "checked_by")),
        *UnitForm.parts[1:],
        Part("Record", ("why",)),
    )

    def __init__(self, *args: Any, by_machine: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if by_machine:  # its volume is in the totals
            del self.fields["given_ml"]

    def clean(self) -> dict[str, Any]:
        super().clean()
        if not self.errors or set(self.errors) <= {"volume_ml"}:
            for difference in differences(self.blood(), self.needed):
                if difference.state == STOPS:
                    self.ask("number", was_given(difference.words))
        return self.cleaned_data


class CheckForm(EdgeForm):
    """The person and the unit at the chair, and who signs beside who is signed in."""

    asked = TickField(label="Name and birth date asked; both fit this page and the unit's tag", wide=True)
    wristband = EdgeField(label="Wristband", most=60, help_text="scan it, or type the reference on it")
    number = NumberField(label="The unit in your hand", required=True, wide=True, help_text="scan its number once more")
    second = ChoiceField(label="Second checker")
    secret = EdgeField(
        label="Their PIN or password", most=128, help_text="typed by themselves",
        widget=forms.PasswordInput(attrs={"class": "t", "autocomplete": "off"}),
    )  # fmt: skip
    emergency = EdgeField(label="In an emergency without a second person: why", most=400, wide=True)

    parts = (
        Part("Who this is", ("asked", "wristband")),
        Part("Which unit", ("number",)),
        Part("Second check", ("second", "secret"), note="here with a PIN, or later on their own tablet"),
        Part("Emergency", ("emergency",), note="the reason stays with the unit"),
    )

    def __init__(
        self, *args: Any, colleagues: Callable[[], Mapping[str, str]], needs_second: bool, **kwargs: Any
    ) -> None:
        """colleagues: asked for only where the form is shown, or a second checker named."""
        super().__init__(*args, **kwargs)
        self.fields["wristband"].widget.attrs.update(SCAN | {"data-scan": "wristband"})
        nobody = ("", "not now")
        self.fields["second"].choices = lambda: [nobody, *colleagues().items()]  # type: ignore[attr-defined]
        if not needs_second:
            for name in ("second", "secret", "emergency"):
                del self.fields[name]

    def clean(self) -> dict[str, Any]:
        super().clean()
        given = self.cleaned_data
        if given.get("second") and not given.get("secret"):
            self.refuse("secret", "The second checker types their own PIN or password.")
        if given.get("secret") and not given.get("second"):
            self.refuse("second", "Say whose PIN this is.")
        if given.get("second") and given.get("emergency"):
            self.refuse("emergency", "With a second checker no emergency is needed; leave one of the two empty.")
        return given

    def chair(self) -> AtTheChair:
        given = self.cleaned_data
        return AtTheChair(bool(given.get("asked")), given.get("wristband") or "", given["number"])


class StartUnitForm(EdgeForm):
    """Why a unit is started past the limit for starting; asked for only then."""

    why_late = EdgeField(label="Why it is started now", most=400, wide=True)
    parts = (Part("Late start", ("why_late",)),)


class EndUnitForm(EdgeForm):
    """Empty, or stopped before and why."""

    stopped_why = EdgeField(
        label="Stopped before it was empty: why", most=400, wide=True, help_text="leave empty if all of it was given"
    )
    parts = (Part("End", ("stopped_why",)),)


class PutAwayForm(EdgeForm):
    """Back to the laboratory, or discarded; and why. Of one that is returned, when it was out of storage and back."""

    state = ChoiceField(
        label="Where it goes", required=True, choices=[("returned", "returned"), ("discarded", "discarded")]
    )
    reason = EdgeField(label="Why", required=True, most=400, wide=True)
    out_of_storage = MomentField(label="Left storage at", most=40, help_text="such as 09:40")
    back_at = MomentField(label="Back in controlled storage at", most=40, help_text="of a returned one; empty: now")
    decided = EdgeField(
        label="Who at the blood bank took it back", most=200, wide=True,
        help_text="only where it was out longer than the limit, or nobody knows",
    )  # fmt: skip
    parts = (
        Part("Not given", ("state", "reason"), note="the laboratory decides what it can still be used for"),
        Part("Storage", ("out_of_storage", "back_at", "decided")),
    )

    def __init__(self, *args: Any, out_known: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if out_known:
            del self.fields["out_of_storage"]


class TakeBackForm(EdgeForm):
    """Why the last start or end was wrong."""

    reason = EdgeField(label="Why it is taken back", required=True, most=400, wide=True)
    parts = (Part("Take back", ("reason",), note="the entry stays in the record, struck"),)
