"""How the form pages of the diary answer: show, check, save once and say so; or say why not and keep what was typed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from patients.models import Patient
from programme.booking.views.saving import REFUSED
from programme.core import access, receipts


@dataclass(frozen=True, slots=True)
class FormPage:
    """A page with one form."""

    title: str
    lede: str
    submit: str
    back: str
    form: forms.BaseForm
    patient: Patient | None = None


def asked(request: access.SignedIn) -> dict[str, Any]:
    """What a form is made with: what was sent, or a fresh one-time key."""
    return {"data": request.POST or None, "initial": {"receipt": receipts.new_key()}}


def answer(request: access.SignedIn, page: FormPage, *, action: str, save: Callable[[datetime], str]) -> HttpResponse:
    """Answer a form page; `save` writes at the moment given and returns what was done in words."""
    if request.method == "POST" and saved(request, page.form, action=action, save=save):
        return redirect(page.back)
    return render(request, "booking/form.html", {"page": page, "nav": "diary"})


def saved(request: access.SignedIn, form: forms.BaseForm, *, action: str, save: Callable[[datetime], str]) -> bool:
    """Save once for the form's key and say so; what was refused is put beside its field."""
    if not form.is_valid():
        return False
    now = timezone.now()

    def once() -> str:
        messages.success(request, save(now))
        return "done"

    try:
        receipts.once(key=form.cleaned_data["receipt"], actor=request.user, at=now, action=action, do=once)
    except REFUSED as error:
        take(form, error)
        return False
    return True


def take(form: forms.BaseForm, error: Exception) -> None:
    """Put what a service refused beside the field it belongs to, else at the top."""
    named: dict[str, list[str]] = {"": [str(error)]}
    if isinstance(error, ValidationError):
        named = error.message_dict if hasattr(error, "error_dict") else {"": error.messages}
    for name, sentences in named.items():
        form.add_error(name if name in form.fields else None, [ValidationError(words) for words in sentences])
