"""After a session: the page, closing, and opening again."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from programme.bedside.forms.ending import CloseForm, ReasonForm
from programme.bedside.queries.after import read_after
from programme.bedside.views.opening import lines_seen, open_session
from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.models import EditedMeanwhile
from programme.worklist.views.people import blank, both_ways
from programme.worklist.views.saving import FormPage, answer
from sessions.day.services import finishing
from sessions.models import ExchangeSession


@access.needs("see.run")
@require_safe
def after(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    if not exchange_session.has_happened:
        return redirect("bedside:run", patient_ref, key)
    return shown(request, exchange_session)


def shown(request: access.SignedIn, exchange_session: ExchangeSession, **more: Any) -> HttpResponse:
    """Return the page; `more` holds the form of closing where it was refused."""
    page = read_after(exchange_session, site_now(request.user))
    initial = {"receipt": receipts.new_key(), "version": exchange_session.version}
    form = more.pop("form", None) or CloseForm(today=site_now(request.user).date(), initial=initial)
    status = 422 if form.is_bound else 200
    return render(request, "bedside/after.html", {"page": page, "form": form, "nav": "list", **more}, status=status)


@access.needs("move.close")
@require_POST
def close(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    form = CloseForm(request.POST, today=site_now(request.user).date())
    if form.is_valid() and closed(request, exchange_session, form, timezone.now()):
        return redirect("bedside:after", patient_ref, key)
    return shown(request, open_session(request, patient_ref, key), form=form)


def closed(request: access.SignedIn, exchange_session: ExchangeSession, form: CloseForm, at: datetime) -> bool:
    """Close the session once for the form's key; what stands against it is said on the form."""
    given = form.cleaned_data

    def do() -> str:
        finishing.close(
            exchange_session=exchange_session, version=int(given["version"] or 0), actor=request.user, at=at,
            key=given["receipt"], reason=given["reason"] or "", seen=lines_seen(request),
        )  # fmt: skip
        return "closed"

    try:
        receipts.once(key=given["receipt"], actor=request.user, at=at, action=f"close {exchange_session.pk}", do=do)
    except (ValidationError, EditedMeanwhile, receipts.BadReceipt) as error:
        words = error.messages if isinstance(error, ValidationError) else [str(error)]
        form.add_error(None, " ".join(words))
        return False
    return True


@access.needs("move.reopen")
@both_ways
def reopen(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    there = reverse("bedside:after", args=[patient_ref, key])
    form = ReasonForm(**blank(request, site_now(request.user).date(), version=exchange_session.version))

    def save(at: datetime) -> str:
        finishing.reopen(
            exchange_session=exchange_session, version=int(form.cleaned_data["version"] or 0), actor=request.user,
            at=at, reason=form.cleaned_data["reason"],
        )  # fmt: skip
        return there

    lede = "What it says now stays in the trail; what is put right becomes a new version, and it is closed again."
    page = FormPage(
        "Open a closed session again", lede, "Open it again", there, [form], exchange_session.patient, at_chair=True
    )
    return answer(request, page, action="reopen session", save=save, done="The session is open again.")
