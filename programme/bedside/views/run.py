"""The bedside page, what it sends, and what it asks for every few seconds."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from django.contrib import messages
from django.contrib.staticfiles import finders
from django.core.exceptions import ValidationError
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from programme.bedside.forms.entering import body_of
from programme.bedside.forms.sent import NotSent, Sent, read_sent
from programme.bedside.queries.chair import Chair, asked_about
from programme.bedside.queries.run import run_of
from programme.bedside.views.automated import automated_board
from programme.bedside.views.opening import open_session
from programme.core import access
from programme.core.look import site_now
from programme.core.receipts import new_key
from programme.core.settings_of_site import site_texts
from sessions.day.models import Entry
from sessions.day.numeric.entries import OBSERVATION, STOPPED_FOR_A_REACTION, VITALS, unusual_in
from sessions.day.queries import is_automated, last_number
from sessions.day.services.entering import add_entry
from sessions.models import ExchangeSession, State

OPENED_BEFORE = {State.PLANNED: "bedside:plan", State.AUTHORISED: "bedside:start"}


@access.needs("see.run")
@require_safe
def run(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    if exchange_session.state in OPENED_BEFORE:
        return redirect(OPENED_BEFORE[State(exchange_session.state)], patient_ref, key)
    return page(request, exchange_session)


def page(request: access.SignedIn, exchange_session: ExchangeSession, **more: Any) -> HttpResponse:
    """Return the whole page; `more` holds what was typed and why it was not kept."""
    context = board(request, exchange_session, more.get("typed"))
    if context["run"] is None:
        messages.error(request, "This session never had a signed plan, so there is nothing to run.")
        return redirect("worklist:course", exchange_session.patient.patient_ref)
    status = 422 if more.get("faults") else 200
    answer = render(
        request, "bedside/run.html", context | first_actions(request) | shown_of(request) | more, status=status
    )
    answer["Cache-Control"] = "no-store"  # only keep.js keeps it, and only while the session runs
    if context["run"].is_running:
        answer["Ebbline-Keep"] = "while running"
    return answer


@access.needs("see.run")
@access.part_of("run")
@require_safe
def keeper(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    """Return the script that keeps this one page for a reload without the network: its address is its whole reach."""
    open_session(request, patient_ref, key)
    script = Path(str(finders.find("bedside/keep.js"))).read_bytes()
    return HttpResponse(script, content_type="text/javascript", headers={"Cache-Control": "no-cache"})


def first_actions(request: access.SignedIn) -> dict[str, Any]:
    """What is usually done first at a reaction: on the page itself, for it must open without the server too."""
    lines = site_texts(request.user.site, timezone.now())["first_actions"].splitlines()
    return {"first_actions": [line.strip() for line in lines if line.strip()], "stopped_words": STOPPED_FOR_A_REACTION}


def shown_of(request: access.SignedIn) -> dict[str, str]:
    """What a link without script asked to be shown open."""
    return {"show": request.GET.get("show", ""), "entry": request.GET.get("entry", "")}


def board(
    request: access.SignedIn, exchange_session: ExchangeSession, typed: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """What the page shows, by hand or automated; `board` names the template of the part that is asked for anew."""
    now = site_now(request.user)
    return shared(exchange_session, now) | (
        automated_board(exchange_session, now, typed)
        if is_automated(exchange_session)
        else {
            "run": run_of(exchange_session, viewer=request.user, today=now.date(), at=now),
            "board": "bedside/_board.html",
        }
    )


def shared(exchange_session: ExchangeSession, now: datetime) -> dict[str, Any]:
    return {
        "patient": exchange_session.patient,
        "exchange_session": exchange_session,
        "now": now,
        "key": new_key(),
        "vitals": VITALS.values(),
        "typed": {},
        "entry": "",
    }


@access.needs("see.run")
@access.part_of("run")
@access.unattended
@require_safe
def since(request: access.SignedIn, patient_ref: str, key: int, number: int) -> HttpResponse:
    """Answer a tablet that has shown entries up to `number`: the same, or the board anew."""
    exchange_session = open_session(request, patient_ref, key)
    last = last_number(exchange_session)
    answer = {"last": last, "state": exchange_session.state, "same": last == number}
    if last != number:
        shown = board(request, exchange_session)
        answer["html"] = render_to_string(shown["board"], shown, request)
    return JsonResponse(answer)


@access.needs("change.run")
@require_POST
def enter(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    """Keep one entry: sent by the script as JSON, or by a plain form."""
    exchange_session = open_session(request, patient_ref, key)
    if request.content_type == "application/json":
        return answer_script(request, exchange_session)
    typed = {name: str(value) for name, value in request.POST.items()}
    try:
        entry = keep(request, exchange_session, Sent.of_form(typed))
    except ValidationError as error:
        return page(request, exchange_session, faults=error.messages, typed=typed, show=typed.get("show", ""))
    say(request, entry)
    return redirect(reverse("bedside:run", args=[patient_ref, key]))


def answer_script(request: access.SignedIn, exchange_session: ExchangeSession) -> JsonResponse:
    """200 with its number: kept. 409: made by somebody else, it waits for them. 422: refused, with every fault."""
    try:
        sent = read_sent(json.loads(request.body))
    except (ValueError, NotSent) as error:
        return JsonResponse({"refused": [f"This was not understood: {error}"]}, status=422)
    if sent.by != request.user.pk:
        return JsonResponse({"waits": "Entered by somebody else, who must sign in for it to be saved."}, status=409)
    try:
        entry = keep(request, exchange_session, sent)
    except ValidationError as error:
        return JsonResponse({"refused": error.messages}, status=422)
    return JsonResponse({"kept": entry.number})


def keep(request: access.SignedIn, exchange_session: ExchangeSession, sent: Sent) -> Entry:
    now = timezone.now()
    return add_entry(
        exchange_session=exchange_session,
        key=sent.key,
        kind=sent.kind,
        body=lambda: body_of(sent.kind, sent.fields, Chair(exchange_session, now), tablet=sent.tablet),
        actor=request.user,
        at=now,
        waited_s=sent.waited_s,
        seen=sent.seen,
        why=sent.fields.get("why", "")[:400],
    )


def say(request: access.SignedIn, entry: Entry) -> None:
    body: Mapping[str, Any] = entry.body
    unusual = unusual_in(body) if entry.kind == OBSERVATION else ()
    asks = asked_about(entry)
    if unusual:
        messages.warning(request, f"Saved. {' '.join(unusual)} If one is not right, undo it and enter it again.")
    elif asks:
        messages.warning(request, f"Saved. {asks} If it is not right, undo it and enter it again.")
    else:
        messages.success(request, "Saved.")
