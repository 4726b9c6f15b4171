"""The checks before starting, and the start."""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from programme.bedside.forms.starting import StartForm
from programme.bedside.queries.start import chairside_of, prescribers_of
from programme.bedside.views.opening import open_session
from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.models import EditedMeanwhile, User
from programme.core.services import prove
from programme.worklist.forms.fields import STOP
from programme.worklist.queries.who import blood_needed
from sessions.day.services.starting import start_session
from sessions.models import ExchangeSession, State


@access.needs("move.start")
@require_http_methods(["GET", "POST"])
def start(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    there = reverse("bedside:run", args=[patient_ref, key])
    if exchange_session.state == State.RUNNING:
        return redirect(there)
    now = site_now(request.user)
    form = form_of(request, exchange_session, now)
    if request.method == "POST" and form.is_valid() and save(request, exchange_session, form, now, there):
        return redirect(there)
    blood = blood_needed(exchange_session.patient, now.date())
    context = {"form": form, "exchange_session": exchange_session, "patient": exchange_session.patient, "blood": blood}
    return render(request, "bedside/start.html", context)


def form_of(request: access.SignedIn, exchange_session: ExchangeSession, now: datetime) -> StartForm:
    return StartForm(
        request.POST if request.method == "POST" else None,
        today=now.date(),
        now=now,
        chairside=chairside_of(exchange_session, today=now.date(), at=now),
        prescribers=prescribers_of(request.user.site),
        signed_in=request.user,
        initial={"receipt": receipts.new_key(), "version": exchange_session.version},
    )


def who_decided(request: access.SignedIn, form: StartForm, now: datetime) -> User | None:
    """Return who lets the start go on: who is signed in, or who proved themselves; each wrong PIN is recorded."""
    decided = form.decided()
    if decided is None or not form.must_prove:
        return decided
    secret = form.cleaned_data["secret"]
    return prove(
        username=decided.username, secret=secret, site=request.user.site, actor=request.user, at=now,
        instead="who lets it go on signs in themselves and starts the session",
    )  # fmt: skip


def save(
    request: access.SignedIn, exchange_session: ExchangeSession, form: StartForm, now: datetime, there: str
) -> bool:
    """Start the session once for this form; say on the form why it was not started."""
    given = form.cleaned_data

    def do(decided_by: User | None) -> str:
        start_session(
            exchange_session=exchange_session, version=int(given["version"] or 0), key=given["receipt"],
            answers=form.said(), observation=form.observation(), observed_at=form.observed_at, found=form.found,
            actor=request.user, at=now, decided_by=decided_by, reason=given["reason"] or "",
        )  # fmt: skip
        return there

    try:
        by = who_decided(request, form, now)
        receipts.once(key=given["receipt"], actor=request.user, at=now, action="start session", do=lambda: do(by))
    except (ValidationError, EditedMeanwhile, receipts.BadReceipt) as error:
        words = error.messages if isinstance(error, ValidationError) else [str(error)]
        form.add_error(None, ValidationError([ValidationError(sentence, code=STOP) for sentence in words]))
        return False
    return True
