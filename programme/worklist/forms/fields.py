"""Fields that keep what was typed, carry their unit, refuse the impossible and ask about the unlikely.

A hard range refuses (Stop). A soft range asks (Check): the same text sent again with 'It is right' ticked is taken, and
a tick for one text never speaks for another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, time
from typing import Any, cast

from django import forms
from django.core.exceptions import ValidationError

from programme.core.numeric.days import read_day, written_day
from programme.core.numeric.quantities import BadNumber, parse_number, read_haemoglobin
from programme.worklist.forms.reading import CLOCK, TypedMoment

ASK, STOP = "ask", "stop"


@dataclass(frozen=True, slots=True)
class Soft:
    """A range outside which a value is possible but unlikely; `words` say what is usual."""

    low: float
    high: float
    words: str


class EdgeBound(forms.BoundField):
    """A field in a page: what to print in, around and beneath its box."""

    @property
    def typed(self) -> str:
        value = self.value()
        return "" if value is None else str(value).strip()

    def _faults(self, *, asking: bool) -> str:
        found = self.form.errors.as_data().get(self.name, []) if self.form.is_bound else []
        return " ".join(text for fault in found if (fault.code == ASK) == asking for text in fault.messages)

    @property
    def stop(self) -> str:
        return self._faults(asking=False)

    @property
    def ask(self) -> str:
        return "" if self.stop else self._faults(asking=True)

    @property
    def right_name(self) -> str:
        return right_name(self.html_name)

    @property
    def is_right(self) -> bool:
        """The typed text was confirmed before; the tick stays while something else is being mended."""
        return self.form.is_bound and self.form.data.get(self.right_name) == self.typed != ""

    @property
    def answer(self) -> str:
        say = getattr(self.field, "answer", None)
        return say(self.typed) if say and not self.stop else ""

    @property
    def suffix(self) -> str:
        shown = getattr(self.field, "shown_unit", None)
        return shown(self.typed) if shown else ""

    @property
    def hint(self) -> str:
        return str(self.help_text)

    @property
    def answers(self) -> bool:
        """Whether the field says how it read what was typed."""
        return hasattr(self.field, "answer")

    @property
    def aria_describedby(self) -> str | None:
        parts = [f"{self.auto_id}_hint"] if self.hint or self.answers else []
        if self.stop or self.ask:
            parts.append(f"{self.auto_id}_fault")
        return " ".join(parts) or None


def right_name(name: str) -> str:
    return f"right-{name}"


class Edge(forms.Field):
    """What every field here has: how wide it stands, and its own way into the page."""

    is_tick = False
    is_many = False

    def __init__(self, *, wide: bool = False, **kwargs: Any) -> None:
        kwargs.setdefault("required", False)
        super().__init__(**kwargs)
        self.wide = wide
        self.error_messages["required"] = f"{self.label} is needed."

    def get_bound_field(self, form: forms.BaseForm, field_name: str) -> EdgeBound:
        return EdgeBound(form, self, field_name)


class EdgeField(Edge, forms.CharField):
    """A line of text, trimmed."""

    def __init__(self, *, most: int = 200, **kwargs: Any) -> None:
        super().__init__(max_length=most, **kwargs)
        self.widget.attrs.setdefault("class", "t")


class LongField(EdgeField):
    """Several lines of text."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(widget=forms.Textarea(attrs={"rows": 2, "class": "t"}), **kwargs)


class ChoiceField(Edge, forms.ChoiceField):
    """One of a short list."""


class TickField(Edge, forms.BooleanField):
    """A box to tick."""

    is_tick = True


class TicksField(Edge, forms.MultipleChoiceField):
    """Any of a few boxes to tick."""

    is_many = True

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(widget=forms.CheckboxSelectMultiple(), **kwargs)


class QuantityField(EdgeField):
    """A number with its unit inside the box; cleaned to float, or to None where nothing was typed."""

    def __init__(
        self, *, low: float, high: float, unit: str, soft: Soft | None = None, whole: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(**kwargs)
        self.low, self.high, self.unit, self.soft, self.whole = low, high, unit, soft, whole
        self.widget.attrs.update({"inputmode": "numeric" if whole else "decimal", "autocomplete": "off"})
        if unit:
            self.widget.attrs.pop("class")

    def read(self, text: str) -> float:
        value = parse_number(text, name=str(self.label), low=self.low, high=self.high, unit=self.unit)
        if self.whole and value != round(value):
            raise BadNumber(f"{self.label}: {text} is not a whole number.")
        return value

    def clean(self, value: Any) -> Any:
        text = str(value or "").strip()
        if not text:
            if self.required:
                raise ValidationError(self.error_messages["required"], code=STOP)
            return None
        try:
            return self.read(text)
        except BadNumber as error:
            raise ValidationError(f"{error} What you typed is kept.", code=STOP) from error

    def prepare_value(self, value: Any) -> Any:
        return f"{value:g}" if isinstance(value, float) else value

    def shown_unit(self, text: str) -> str:
        return self.unit


class HaemoglobinField(QuantityField):
    """Haemoglobin in g/L; g/dL is accepted and answered. The two ranges never meet."""

    def __init__(self, *, low: float = 30, high: float = 200, **kwargs: Any) -> None:
        super().__init__(low=low, high=high, unit="g/L", **kwargs)
        self.widget.attrs.update({"data-hb-low": f"{low:g}", "data-hb-high": f"{high:g}"})

    def read(self, text: str) -> float:
        return read_haemoglobin(text, name=str(self.label), low=self.low, high=self.high).g_l

    def was_g_dl(self, text: str) -> bool:
        try:
            return read_haemoglobin(text, low=self.low, high=self.high).was_g_dl
        except BadNumber:
            return False

    def shown_unit(self, text: str) -> str:
        return "g/dL" if self.was_g_dl(text) else "g/L"

    def answer(self, text: str) -> str:
        return f"read as {self.read(text):g} g/L" if self.was_g_dl(text) else ""


class DayField(EdgeField):
    """A day, typed in any of three ways and answered in words."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(most=40, **kwargs)
        self.widget.attrs["autocomplete"] = "off"

    def clean(self, value: Any) -> Any:
        text = str(value or "").strip()
        if not text:
            if self.required:
                raise ValidationError(self.error_messages["required"], code=STOP)
            return None
        try:
            return read_day(text)
        except ValueError as error:
            raise ValidationError(f"{self.label}: {error} What you typed is kept.", code=STOP) from error

    def prepare_value(self, value: Any) -> Any:
        return written_day(value) if isinstance(value, date) else value

    def answer(self, text: str) -> str:
        try:
            on = read_day(text)
        except ValueError:
            return ""
        return f"read as {on:%A} {on.day} {on:%B} {on.year}"


class MomentField(EdgeField):
    """A time such as 07:20, on the form's own day unless a day stands before it; cleaned to TypedMoment."""

    def clean(self, value: Any) -> Any:
        text = str(value or "").strip()
        if not text:
            if self.required:
                raise ValidationError(self.error_messages["required"], code=STOP)
            return None
        day_words, _, clock_words = text.rpartition(" ")
        found = CLOCK.fullmatch(clock_words)
        try:
            if found is None:
                raise ValueError(f"{text[:24]!r} is not a time. Write 07:20, or 24 Nov 2026 07:20.")
            at = time(int(found[1]), int(found[2]))
            return TypedMoment(at, read_day(day_words) if day_words else None)
        except ValueError as error:
            raise ValidationError(f"{self.label}: {error} What you typed is kept.", code=STOP) from error


@dataclass(frozen=True, slots=True)
class Fault:
    """One line of the summary at the top of a refused form."""

    words: str
    link: str


@dataclass(frozen=True, slots=True)
class Part:
    """A named part of a form, with what is said beneath its name and the names of its fields."""

    name: str
    fields: tuple[str, ...]
    note: str = ""


class EdgeForm(forms.Form):
    """A form of such fields, with the one-time key against double saving and the version against overwriting."""

    parts: tuple[Part, ...] = ()

    receipt = EdgeField(most=64, widget=forms.HiddenInput())
    version = EdgeField(most=12, widget=forms.HiddenInput())

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        self.today = today
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)
        self.use_required_attribute = False

    def __getitem__(self, name: str) -> EdgeBound:
        return cast(EdgeBound, super().__getitem__(name))

    def __iter__(self) -> Iterator[EdgeBound]:
        return (self[name] for name in self.fields)

    def ask(self, name: str, sentence: str) -> None:
        """Ask about a value that is possible but unlikely, unless this very text was confirmed."""
        if not self[name].is_right:
            value = self.cleaned_data.get(name)
            self.add_error(name, ValidationError(sentence, code=ASK))
            self.cleaned_data[name] = value  # still a value, for the checks that compare it with others

    def refuse(self, name: str, sentence: str) -> None:
        self.add_error(name, ValidationError(sentence, code=STOP))

    def refuse_future(self, *names: str) -> None:
        for name in names:
            on = self.cleaned_data.get(name)
            if on is not None and on > self.today:
                self.refuse(name, f"{self.fields[name].label}: {written_day(on)} is in the future.")

    def clean(self) -> dict[str, Any]:
        for name, field in self.fields.items():
            value = self.cleaned_data.get(name)
            if not isinstance(field, QuantityField) or field.soft is None or value is None:
                continue
            if not field.soft.low <= value <= field.soft.high:
                self.ask(name, f"{value:g} {field.unit}: {field.soft.words}")
        return self.cleaned_data

    def shown_parts(self) -> list[tuple[Part, list[EdgeBound]]]:
        return [(part, [self[name] for name in part.fields if name in self.fields]) for part in self.parts]

    @property
    def stops(self) -> list[Fault]:
        """What was refused, each with a link to its field."""
        general = [Fault(str(text), "") for text in self.non_field_errors()]
        return general + [Fault(field.stop, field.auto_id) for field in self if field.stop]

    @property
    def asks(self) -> list[Fault]:
        return [Fault(f"{field.label}, {field.ask}", field.auto_id) for field in self if field.ask]

    @property
    def readings(self) -> list[str]:
        """'Hb before: 8.4 read as 84 g/L' for every figure that was understood in another unit."""
        pairs = [(field, field.answer) for field in self if isinstance(field.field, HaemoglobinField)]
        return [f"{field.label}: {field.typed} {answer}" for field, answer in pairs if answer]
