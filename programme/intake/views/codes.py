"""The unit's own codes: which there are, adding one, ending one."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from programme.core import access, receipts
from programme.core.look import site_now
from programme.intake.forms.items import EndCodeForm, LocalCodeForm
from programme.intake.models import LocalCode
from programme.intake.numeric.codes import ALLOWED, ANTIBODY_SCREEN, BLOOD_GROUP, BY_ANALYTE
from programme.intake.queries.own_codes import own_codes
from programme.intake.services.local_codes import add_code, end_code
from programme.intake.views.once import REFUSED, ended, words_of


@access.needs("see.inbox")
@require_http_methods(["GET", "HEAD"])
def codes(request: access.SignedIn) -> HttpResponse:
    """The unit's own codes. code: in the address, where somebody comes from a result that waits under it."""
    sent = request.GET.get("code", "")[:40]
    return _show(request, LocalCodeForm(initial={"receipt": receipts.new_key(), "code": sent}))


def _show(request: access.SignedIn, form: LocalCodeForm) -> HttpResponse:
    own = own_codes(request.user.site)
    context = {"own": own, "form": form, "allowed": ALLOWED, "nav": "inbox", "receipt": receipts.new_key()}
    context["told"] = (BLOOD_GROUP, ANTIBODY_SCREEN)
    return render(request, "inbox/codes.html", context, status=422 if form.errors else 200)


@access.needs("change.local_codes")
@require_POST
def add(request: access.SignedIn) -> HttpResponse:
    form, now, user = LocalCodeForm(request.POST), site_now(request.user), request.user
    if not form.is_valid():
        return _show(request, form)
    given = form.cleaned_data
    key = given.pop("receipt")

    def do() -> str:
        row = add_code(site=user.site, actor=user, at=now, **given)
        what = f"stands for {BY_ANALYTE[row.analyte].name}" if row.analyte else "is ignored"
        messages.success(request, f"{row.code} {what} from today on.")
        return reverse("intake:codes")

    try:
        return redirect(receipts.once(key=key, actor=user, at=now, action="add local code", do=do))
    except REFUSED as error:
        form.add_error(None, error if isinstance(error, ValidationError) else words_of(error))
        return _show(request, form)


@access.needs("change.local_codes")
@require_POST
def end(request: access.SignedIn, key: int) -> HttpResponse:
    row = LocalCode.objects.filter(site=request.user.site, pk=key).first()
    now, user = site_now(request.user), request.user
    if row is None:
        raise Http404("No such code at your unit.")

    def do(version: int) -> str:
        end_code(row=row, version=version, on=now.date(), actor=user, at=now)
        return f"{row.code} is not known from today on: results under it wait."

    form, back = EndCodeForm(request.POST), reverse("intake:codes")
    return ended(request, form, action=f"end local code {key}", at=now, back=back, do=do)
