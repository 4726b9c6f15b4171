"""Erasing a person's record: asked for by a consultant, agreed by somebody else, withdrawn, or carried out once due.

Who agrees sees reference, reason and how many rows of which kind, and no word of the record itself.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_http_methods, require_safe

from programme.core import access, reading
from programme.core.backups import note_erased
from programme.core.look import site_now
from programme.core.models import Erasure
from programme.core.services import prove
from programme.custody import forms
from programme.custody.pdf import erasure_pdf
from programme.custody.queries.erasing import before_asking, erasure_page, erasures_of
from programme.custody.services import asking, erasing
from programme.worklist.forms.fields import EdgeForm
from programme.worklist.views.people import PEOPLE, blank, records_of
from programme.worklist.views.saving import FormPage, answer

both_ways = require_http_methods(["GET", "POST"])
ASK_LEDE = (
    "All that is stored of this person is to be deleted for good, the trail of it as well. Another consultant or an "
    "administrator must agree; then a wait runs, in which it can be withdrawn. Local policy on keeping records decides."
)
AGREE_LEDE = (
    "Agree only with the paper that asks for it before you. What follows cannot be taken back once the wait is over."
)
NOW_LEDE = "Everything goes at once and cannot be brought back here. Backups made before still hold it."


@access.needs("see.erasures")
@require_safe
def erasures(request: access.SignedIn) -> HttpResponse:
    user, now = request.user, site_now(request.user)
    reading.note(user=user, site_key=user.site_id, patient_key=None, page="erasures", at=now)
    context = {"rows": list(erasures_of(user.site)), "now": now, "nav": "erasures"}
    return render(request, "custody/erasures.html", context)


@access.needs("see.erasures")
@require_safe
def erasure(request: access.SignedIn, key: int) -> HttpResponse:
    row, now = _opened(request, key), site_now(request.user)
    context = {"page": erasure_page(row, now), "nav": "erasures"}
    return render(request, "custody/erasure.html", context)


@access.needs("see.erasures")
@require_safe
def record(request: access.SignedIn, key: int) -> HttpResponse:
    row, now = _opened(request, key), site_now(request.user)
    paper = erasure_pdf(erasure_page(row, now), made_by=request.user.full_name, made_at=now)
    answered = HttpResponse(paper, content_type="application/pdf")
    answered.headers["Content-Disposition"] = f'inline; filename="erasure-{row.number}.pdf"'
    return answered


@access.needs("change.ask_erasure")
@sensitive_variables("given")
@both_ways
def ask(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient, now = access.open_patient(request, PEOPLE.all(), patient_ref), site_now(request.user)
    form = forms.AskErasureForm(**blank(request, now.date()))
    _sign(request, form, now)
    extra = {"before": before_asking(patient, now)} if request.method == "GET" else {}
    page = FormPage(
        "Erase this person", ASK_LEDE, "Ask for it", records_of(patient), [form], patient, extra=extra,
        template="custody/ask_erasure.html",
    )  # fmt: skip

    def save(at: datetime) -> str:
        given = {name: form.cleaned_data[name] for name in ("kind", "reason", "typed_ref")}
        return _there(asking.ask(patient=patient, **given, actor=request.user, at=at))

    return answer(request, page, action=f"ask to erase {patient.pk}", save=save, done="Asked. Nothing is erased yet.")


@access.needs("change.agree_erasure")
@both_ways
def agree(request: access.SignedIn, key: int) -> HttpResponse:
    row = _opened(request, key)
    form = forms.AgreeForm(**blank(request, site_now(request.user).date(), version=row.version))

    def save(at: datetime) -> str:
        given = {"version": int(form.cleaned_data["version"] or 0), "typed_ref": form.cleaned_data["typed_ref"]}
        return _there(asking.agree(erasure=row, **given, actor=request.user, at=at))

    return _act(request, row, form, ("Agree to", AGREE_LEDE, "Agree"), save, "Agreed. The wait begins.")


@access.needs("change.withdraw_erasure")
@both_ways
def withdraw(request: access.SignedIn, key: int) -> HttpResponse:
    row = _opened(request, key)
    form = forms.WithdrawForm(**blank(request, site_now(request.user).date(), version=row.version))

    def save(at: datetime) -> str:
        version, why = int(form.cleaned_data["version"] or 0), form.cleaned_data["reason"]
        return _there(asking.withdraw(erasure=row, version=version, why=why, actor=request.user, at=at))

    lede = "The record stays as it is, and it can be asked for anew."
    return _act(request, row, form, ("Withdraw", lede, "Withdraw it"), save, "Withdrawn. Nothing is erased.")


@access.needs("change.erase")
@both_ways
def carry_out(request: access.SignedIn, key: int) -> HttpResponse:
    row = _opened(request, key)
    form = forms.CarryOutForm(**blank(request, site_now(request.user).date(), version=row.version))

    def save(at: datetime) -> str:
        done = erasing.erase(erasure=row, actor=request.user, at=at)
        transaction.on_commit(_note_outside, robust=True)
        return _there(done)

    return _act(request, row, form, ("Carry out", NOW_LEDE, "Erase for good"), save, "Erased.")


def _opened(request: access.SignedIn, key: int) -> Erasure:
    """Return an erasure of the own unit, and write down who looked at it; whose it is, while there is somebody."""
    rows = Erasure.objects.select_related("site", "asked_by", "agreed_by", "withdrawn_by", "done_by")
    row = get_object_or_404(rows, pk=key, site=request.user.site)
    if request.method in ("GET", "HEAD"):
        person = row.patient_key if row.done_at is None else None
        now = site_now(request.user)
        reading.note(user=request.user, site_key=row.site_id, patient_key=person, page="erasure", at=now)
    return row


def _act(
    request: access.SignedIn, row: Erasure, form: EdgeForm, words: tuple[str, str, str],
    save: Callable[[datetime], str], done: str,
) -> HttpResponse:  # fmt: skip
    """Answer the form of one step; words: title, lede, button. What is not open any more has no step left."""
    if not row.is_open and request.method != "POST":
        return redirect(_there(row))
    _sign(request, form, site_now(request.user))
    title, lede, button = words
    page = FormPage(f"{title} erasure {row.number}", lede, button, _there(row), [form])
    return answer(request, page, action=f"{title} {row.pk}".lower(), save=save, done=done)


@sensitive_variables("secret")
def _sign(request: access.SignedIn, form: EdgeForm, at: datetime) -> None:
    """Refuse the form unless who is signed in typed their own password or PIN; a wrong one is recorded."""
    if request.method != "POST" or not form.is_valid():
        return
    user, secret = request.user, form.cleaned_data["secret"]
    try:
        prove(username=user.username, secret=secret, site=user.site, actor=user, at=at, instead="sign out and in again")
    except ValidationError as error:
        form.refuse("secret", " ".join(error.messages))


def _there(row: Erasure) -> str:
    return reverse("custody:erasure", args=[row.pk])


def _note_outside() -> None:
    if settings.BACKUP_FOLDER is not None:
        note_erased(settings.BACKUP_FOLDER)
