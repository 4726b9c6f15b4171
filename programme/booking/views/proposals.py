"""Places for everyone due: asked for, looked at, changed, accepted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from programme.booking.forms.proposals import AcceptForm, AskForm, ChangeForm
from programme.booking.models import Proposal
from programme.booking.queries.proposal import newest, read_proposal
from programme.booking.services import proposals as service
from programme.booking.services.accepting import accept as accept_places
from programme.booking.tasks import make_proposal
from programme.booking.views.pages import take
from programme.booking.views.saving import PEOPLE, REFUSED, faults_of, the_diary, typed_faults
from programme.core import access, receipts
from programme.core.handing_over import hand_over
from programme.core.look import site_now

WEEKS = 6
SHARED = "booking/proposal.html"


@access.needs("change.booking")
@require_http_methods(["GET", "POST"])
def proposals(request: access.SignedIn) -> HttpResponse:
    """Ask for a proposal, or go on with the newest."""
    now = site_now(request.user)
    begin = {"receipt": receipts.new_key(), "first": now.date(), "weeks": WEEKS, "moves": Proposal.Moves.NOBODY}
    form = AskForm(request.POST or None, initial=begin)
    if request.method == "POST" and form.is_valid():
        try:
            return redirect(_ask_once(request, form.cleaned_data))
        except REFUSED as error:
            take(form, error)
    shown = {"form": form, "newest": newest(request.user.site), "nav": "diary"}
    return render(request, "booking/proposals.html", shown)


@access.needs("see.diary")
@require_GET
def proposal(request: access.SignedIn, key: int) -> HttpResponse:
    """One proposal: by week, by person, who is left, what would help."""
    return _show(request, _mine(request, key))


@access.needs("change.booking")
@require_POST
def change(request: access.SignedIn, key: int) -> HttpResponse:
    """Leave a person out, keep a place, make it again, or drop it."""
    row, form = _mine(request, key), ChangeForm(request.POST)
    if not form.is_valid():
        messages.error(request, " ".join(typed_faults(form).values()))
        return redirect("booking:proposal", key)
    act, ref = form.cleaned_data["act"]
    kept = {"proposal": row, "version": form.cleaned_data["version"], "actor": request.user, "at": timezone.now()}

    def do() -> str:
        return _changed(act, ref, form.cleaned_data["place"], kept)

    return _once(request, row, form, f"{act} proposal {row.pk}", do)


@access.needs("change.booking")
@require_POST
def accept(request: access.SignedIn, key: int) -> HttpResponse:
    """Book the places that are ticked, all of them or none."""
    row, form = _mine(request, key), AcceptForm(request.POST)
    if not form.is_valid():
        return _show(request, row, faults=typed_faults(form), **_typed(form))

    def do() -> str:
        count, words = accept_places(
            proposal=row, version=form.cleaned_data["version"], reasons=form.reasons_of_each, actor=request.user,
            at=timezone.now(),
        )  # fmt: skip
        messages.success(request, f"{count} {'place is' if count == 1 else 'places are'} booked. {words}".strip())
        return reverse("booking:proposal", args=[row.pk])

    return _once(request, row, form, f"accept proposal {row.pk}", do)


def _mine(request: access.SignedIn, key: int) -> Proposal:
    return get_object_or_404(Proposal.objects.select_related("site", "asked_by"), pk=key, site=request.user.site)


def _show(request: access.SignedIn, row: Proposal, **more: Any) -> HttpResponse:
    by = "person" if request.GET.get("by") == "person" else "week"
    other = request.GET.get("other", "")[:64]
    page = read_proposal(row, site_now(request.user), by_person=by == "person", other_ref=other)
    if page.other is not None:
        access.open_patient(request, PEOPLE.all(), page.other.patient_ref)
    shown = {"page": page, "by": by, "receipt": receipts.new_key(), "nav": "diary", **more}
    return render(request, SHARED, shown)


def _ask_once(request: access.SignedIn, given: dict[str, Any]) -> str:
    now = timezone.now()

    def save() -> str:
        row = service.ask(
            site=request.user.site, first=given["first"], weeks=given["weeks"], moves=given["moves"],
            actor=request.user, at=now,
        )  # fmt: skip
        _make_soon(row.pk)
        return reverse("booking:proposal", args=[row.pk])

    return receipts.once(key=given["receipt"], actor=request.user, at=now, action="ask for a proposal", do=save)


def _make_soon(key: int) -> None:
    def hand() -> None:
        if not hand_over(make_proposal, key):
            service.fail(key=key, trouble="The work could not be handed over just now. Make it again in a minute.")

    transaction.on_commit(hand)


def _changed(act: str, ref: str, place: Any, kept: dict[str, Any]) -> str:
    """Do one change; return where to go next."""
    row = kept["proposal"]
    if act == "drop":
        service.drop(**kept)
        return the_diary()
    if act == "again":
        service.again(**kept)
    elif act == "fix":
        service.change(fixed=(ref, (place.chair_pk, place.on, place.slot)), **kept)
    else:
        named: dict[str, Any] = {act: ref}
        service.change(**named, **kept)
    _make_soon(row.pk)
    return reverse("booking:proposal", args=[row.pk])


def _once(
    request: access.SignedIn, row: Proposal, form: ChangeForm | AcceptForm, action: str, do: Callable[[], str]
) -> HttpResponse:
    """Do it once for the form's key; what is refused is said on the page, with what was ticked and typed."""
    key = form.cleaned_data["receipt"]
    try:
        return redirect(receipts.once(key=key, actor=request.user, at=timezone.now(), action=action, do=do))
    except REFUSED as error:
        return _show(request, _mine(request, row.pk), faults=faults_of(error), **_typed(form))


def _typed(form: ChangeForm | AcceptForm) -> dict[str, Any]:
    """What was ticked and typed for accepting, to be shown again."""
    if not isinstance(form, AcceptForm):
        return {}
    return {
        "ticked": form.refs, "second": form.second, "far_late": form["far_late"].value(),
        "late_reason": form["late_reason"].value(),
    }  # fmt: skip
