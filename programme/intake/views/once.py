"""Forms of the inbox's lists: done once, or the reason why not."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect

from programme.core import access, receipts
from programme.core.models import EditedMeanwhile
from programme.intake.forms.items import EndCodeForm

REFUSED = (ValidationError, EditedMeanwhile, receipts.BadReceipt)


def words_of(error: Exception) -> str:
    """Return why something was refused, in one line."""
    return " ".join(error.messages) if isinstance(error, ValidationError) else str(error)


def ended(
    request: access.SignedIn, form: EndCodeForm, *, action: str, at: datetime, back: str, do: Callable[[int], str]
) -> HttpResponse:
    """Answer the button that ends a row: `do` takes the row's version and returns what to say; always leads `back`."""
    if not form.is_valid():
        messages.error(request, "The form was not whole. Nothing was changed.")
        return redirect(back)

    def once() -> str:
        messages.success(request, do(form.cleaned_data["version"]))
        return back

    try:
        receipts.once(key=form.cleaned_data["receipt"], actor=request.user, at=at, action=action, do=once)
    except REFUSED as error:
        messages.error(request, words_of(error))
    return redirect(back)
