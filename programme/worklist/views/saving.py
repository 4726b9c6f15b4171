"""How every form page answers: show, check all at once, save once, say what was saved; or say why not and keep all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone

from patients.models import Patient
from programme.core import access, receipts
from programme.core.models import EditedMeanwhile
from programme.worklist.forms.fields import STOP, EdgeForm, Fault


@dataclass(frozen=True, slots=True)
class Difference:
    """A field that someone else changed meanwhile: as it is now, and as it was typed here."""

    label: str
    now: str
    yours: str


@dataclass(slots=True)
class FormPage:
    """One form page: `forms` in order, the first of them carries the one-time key and the version.

    at_chair: filled in on a tablet beside the person, so what is pressed is as large as there.
    fresh: the stored values by field of the first form, read anew, for a row that was edited meanwhile.
    """

    title: str
    lede: str
    submit: str
    back: str
    forms: Sequence[EdgeForm]
    patient: Patient | None = None
    fresh: Callable[[], Mapping[str, Any]] | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)
    differences: list[Difference] = field(default_factory=list)
    template: str = "worklist/form.html"
    at_chair: bool = False

    @property
    def stops(self) -> list[Fault]:
        return [fault for form in self.all_forms for fault in form.stops] if self.forms[0].is_bound else []

    @property
    def asks(self) -> list[Fault]:
        return [fault for form in self.all_forms for fault in form.asks] if self.forms[0].is_bound else []

    @property
    def all_forms(self) -> list[EdgeForm]:
        return [*self.forms, *self.extra.get("steps", ())]

    def is_valid(self) -> bool:
        return not [form for form in self.all_forms if not form.is_valid()]

    def take(self, error: ValidationError) -> None:
        """Put what a service refused beside the field it belongs to, else at the top."""
        named = error.message_dict if hasattr(error, "error_dict") else {"": error.messages}
        for name, sentences in named.items():
            form = next((form for form in self.forms if name in form.fields), None)
            fault = ValidationError([ValidationError(sentence, code=STOP) for sentence in sentences])
            (form or self.forms[0]).add_error(name if form else None, fault)

    def compare(self, error: EditedMeanwhile) -> None:
        """Show both values of what changed meanwhile; saving again then puts these over the newer ones."""
        form, stored = self.forms[0], self.fresh() if self.fresh else {}
        form.add_error(None, ValidationError(str(error), code=STOP))
        for name, value in stored.items():
            if name not in form.fields or name == "version":
                continue
            shown = form.fields[name].prepare_value(value)
            now, yours = _words(shown), _words(form[name].value())
            if now != yours:
                self.differences.append(Difference(str(form.fields[name].label), now, yours))
        if "version" in stored:
            data = QueryDict(mutable=True)
            data.update(form.data)
            data[form.add_prefix("version")] = str(stored["version"])
            form.data = data


def _words(value: Any) -> str:
    if value in (True, False):
        return "yes" if value else "no"
    return "" if value is None else str(value).strip()


def answer(
    request: access.SignedIn, page: FormPage, *, action: str, save: Callable[[datetime], str], done: str
) -> HttpResponse:
    """Answer a form page; `save` writes at the moment given and returns where to go next."""
    if request.method == "POST" and "more" not in request.POST and page.is_valid():
        now = timezone.now()
        key = page.forms[0].cleaned_data["receipt"]
        try:
            there = receipts.once(key=key, actor=request.user, at=now, action=action, do=lambda: save(now))
        except ValidationError as error:
            page.take(error)
        except EditedMeanwhile as error:
            page.compare(error)
        except receipts.BadReceipt as error:
            page.forms[0].add_error(None, ValidationError(str(error), code=STOP))
        else:
            read = [words for form in page.all_forms for words in form.readings]
            messages.success(request, " ".join([done, *(f"{words}." for words in read)]))
            return redirect(there)
    return render(request, page.template, {"page": page, "nav": "list"})
