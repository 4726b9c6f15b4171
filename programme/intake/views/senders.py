"""Who may send results to the unit: the list, adding one with a token that is shown once, revoking one."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.settings_of_site import site_settings
from programme.intake.forms.items import EndCodeForm, SenderForm
from programme.intake.models import Sender
from programme.intake.numeric.tokens import KINDS, USUAL_DAYS
from programme.intake.queries.senders import refused_lately, senders_of, unlisted_senders
from programme.intake.services.senders import make_token, revoke_sender
from programme.intake.views.once import REFUSED, ended, words_of


@access.needs("see.inbox")
@require_http_methods(["GET", "HEAD"])
def senders(request: access.SignedIn) -> HttpResponse:
    """The list, and the form; with ?renew=KEY it holds what that sender may do now."""
    key = request.GET.get("renew", "")
    row = Sender.objects.filter(site=request.user.site, pk=key).first() if key.isdecimal() and len(key) < 19 else None
    known = {"name": row.name, "trusts_references": row.trusts_references} if row else {}
    kinds = row.kinds if row and row.kinds else KINDS
    offered = {"receipt": receipts.new_key(), "kinds": kinds, "days": USUAL_DAYS}
    return _show(request, SenderForm(initial=offered | known))


def _show(request: access.SignedIn, form: SenderForm) -> HttpResponse:
    site = request.user.site
    context = {
        "senders": senders_of(site, site_now(request.user)),
        "unlisted": unlisted_senders(site),
        "refused": refused_lately(site, site_now(request.user)),
        "form": form,
        "grace_hours": _grace_hours(request),
        "nav": "inbox",
        "receipt": receipts.new_key(),
    }
    return render(request, "inbox/senders.html", context, status=422 if form.errors else 200)


def _grace_hours(request: access.SignedIn) -> float | None:
    """Return how long an old token opens beside a new one, for who may give one."""
    if not access.may(request.user, "change.senders"):
        return None
    return site_settings(request.user.site, site_now(request.user))["token_grace_hours"]


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
    except REFUSED as error:
        form.add_error(None, words_of(error))
        return _show(request, form)


@access.needs("change.senders")
@require_POST
def revoke(request: access.SignedIn, key: int) -> HttpResponse:
    row = Sender.objects.filter(site=request.user.site, pk=key).first()
    now, user = site_now(request.user), request.user
    if row is None:
        raise Http404("No such sender at your unit.")

    def do(version: int) -> str:
        revoke_sender(row=row, version=version, actor=user, at=now)
        return f"Nothing more is taken from {row.name}. What it sent stays."

    form, back = EndCodeForm(request.POST), reverse("intake:senders")
    return ended(request, form, action=f"revoke sender {key}", at=now, back=back, do=do)
