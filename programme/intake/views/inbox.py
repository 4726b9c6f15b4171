"""The inbox: what waits, one item opened, a decision, and taking it back."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from programme.core import access, receipts
from programme.core.look import site_now
from programme.intake.forms.items import DecideForm
from programme.intake.models import InboxItem
from programme.intake.queries.inbox import filed_lines, inbox_page, item_of, item_page, settled_lines
from programme.intake.queries.senders import is_refusing, warned_of
from programme.intake.services import deciding
from programme.intake.views.once import REFUSED, words_of


def _item(request: access.SignedIn, key: int) -> InboxItem:
    item = item_of(request.user.site, key)
    if item is None:
        raise Http404("No such item at your unit.")
    return item


@access.needs("see.inbox")
@require_safe
def inbox(request: access.SignedIn) -> HttpResponse:
    site, now = request.user.site, site_now(request.user)
    warned = warned_of(site, now) if access.may(request.user, "change.senders") else []  # to who can give a new token
    context = {"page": inbox_page(site, now), "is_refusing": is_refusing(site, now), "warned": warned, "nav": "inbox"}
    return render(request, "inbox/inbox.html", context | {"receipt": receipts.new_key()})


@access.needs("see.inbox")
@require_safe
def filed(request: access.SignedIn) -> HttpResponse:
    """What filed itself today, and what was decided last, each with its undo."""
    site = request.user.site
    context = {"filed": filed_lines(site, site_now(request.user)), "settled": settled_lines(site)}
    return render(request, "inbox/filed.html", context | {"nav": "inbox", "receipt": receipts.new_key()})


@access.needs("see.inbox")
@access.part_of("inbox_item")
@require_safe
def item(request: access.SignedIn, key: int) -> HttpResponse:
    return _show(request, _item(request, key))


def _show(request: access.SignedIn, row: InboxItem, *, problem: str = "", why: str = "") -> HttpResponse:
    """Show one item; whoever looks is written down for each person whom it names."""
    page = item_page(row)
    for patient in page.named:
        access.note_look(request, site_key=row.site_id, patient_key=patient.pk)
    context = {"page": page, "nav": "inbox", "receipt": receipts.new_key(), "problem": problem, "why": why}
    return render(request, "inbox/item.html", context, status=422 if problem else 200)


@access.needs("change.inbox")
@require_POST
def settle(request: access.SignedIn, key: int) -> HttpResponse:
    row, form, now = _item(request, key), DecideForm(request.POST), site_now(request.user)

    def do() -> str:
        given = form.cleaned_data
        count = deciding.settle(
            item=row, version=given["version"], choice=given["choice"], why=given["why"], actor=request.user, at=now
        )
        done = "Decided" if count == 1 else f"Decided for all {count} results of the sample that waited"
        messages.success(request, f"{done}. It can be taken back under what was decided.")
        return reverse("intake:inbox")

    return _once(request, row, form, f"decide {key}", do)


@access.needs("change.inbox")
@require_POST
def undo(request: access.SignedIn, key: int) -> HttpResponse:
    row, form, now = _item(request, key), DecideForm(request.POST), site_now(request.user)

    def do() -> str:
        count = deciding.undo(item=row, version=form.cleaned_data["version"], actor=request.user, at=now)
        waits = "it waits again" if count == 1 else f"all {count} results of the sample wait again"
        messages.success(request, f"Taken back; {waits}.")
        return reverse("intake:item", args=[key])

    return _once(request, row, form, f"take back {key}", do)


def _once(
    request: access.SignedIn, row: InboxItem, form: DecideForm, action: str, do: Callable[[], str]
) -> HttpResponse:
    if not form.is_valid():
        return _show(request, row, problem="The form was not whole. Nothing was decided.")
    now, key = site_now(request.user), form.cleaned_data["receipt"]
    try:
        return redirect(receipts.once(key=key, actor=request.user, at=now, action=action, do=do))
    except REFUSED as error:
        said = words_of(error)
    fresh = _item(request, row.pk)
    return _show(request, fresh, problem=f"{said} Nothing was decided.", why=form.cleaned_data["why"])
