"""Who may send results to the unit: the list, adding one with a token that is shown once, revoking one."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.models import EditedMeanwhile
from programme.intake.forms.items import EndCodeForm, SenderForm
from programme.intake.models import Sender
from programme.intake.queries.senders import senders_of
from programme.intake.services.senders import make_token, revoke_sender


@access.needs("see.inbox")
@require_http_methods(["GET", "HEAD"])
def senders(request: access.SignedIn) -> HttpResponse:
    return _show(request, SenderForm(initial={"receipt": receipts.new_key()}))


def _show(request: access.SignedIn, form: SenderForm) -> HttpResponse:
    context = {"senders": senders_of(request.user.site), "form": form, "nav": "inbox", "receipt": receipts.new_key()}
    return render(request, "inbox/senders.html", context, status=422 if form.errors else 200)


@access.needs("change.senders")
@require_POST
def add(request: access.SignedIn) -> HttpResponse:
    form, now, user = SenderForm(request.POST), site_now(request.user), request.user
    if not form.is_valid():
        return _show(request, form)
    given = form.cleaned_data
    key = given.pop("receipt")

    def do() -> str:
        token = make_token(site=user.site, at=now, actor=user, **given)
        messages.success(request, f"{given['name']} may send. Its token for FHIR, shown only now: {token}")
        return reverse("intake:senders")

    try:
        return redirect(receipts.once(key=key, actor=user, at=now, action="add sender", do=do))
    except (ValidationError, EditedMeanwhile, receipts.BadReceipt) as error:
        form.add_error(None, error.messages if isinstance(error, ValidationError) else str(error))
        return _show(request, form)


@access.needs("change.senders")
@require_POST
def revoke(request: access.SignedIn, key: int) -> HttpResponse:
    row = Sender.objects.filter(site=request.user.site, pk=key).first()
    form, now, user = EndCodeForm(request.POST), site_now(request.user), request.user
    if row is None:
        raise Http404("No such sender at your unit.")
    if not form.is_valid():
        messages.error(request, "The form was not whole. Nothing was changed.")
        return redirect("intake:senders")

    def do() -> str:
        revoke_sender(row=row, version=form.cleaned_data["version"], actor=user, at=now)
        messages.success(request, f"Nothing more is taken from {row.name}. What it sent stays.")
        return reverse("intake:senders")

    try:
        receipts.once(key=form.cleaned_data["receipt"], actor=user, at=now, action=f"revoke sender {key}", do=do)
    except (ValidationError, EditedMeanwhile, receipts.BadReceipt) as error:
        messages.error(request, " ".join(error.messages) if isinstance(error, ValidationError) else str(error))
    return redirect("intake:senders")
