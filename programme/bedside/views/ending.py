"""Finishing a session, or giving it up."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from programme.bedside.forms.ending import AbandonForm, FinishForm
from programme.bedside.queries.stands import hb_left_high
from programme.bedside.views.opening import lines_seen, open_session
from programme.core import access
from programme.core.look import site_now
from programme.core.settings_of_site import site_settings
from programme.worklist.views.people import blank, both_ways
from programme.worklist.views.saving import FormPage, answer
from sessions.day.numeric.checks import open_names
from sessions.day.queries import Ending, ending_of, method_of
from sessions.day.services import finishing
from sessions.models import ExchangeSession, Method, State


def filled(
    request: access.SignedIn, exchange_session: ExchangeSession, now: datetime, **initial: Any
) -> dict[str, Any]:
    """Return what the forms of a session are made with: also its version, its day and the unit's zone."""
    made = blank(request, now.date(), version=exchange_session.version, **initial)
    zone = ZoneInfo(exchange_session.patient.site.time_zone)
    return made | {"zone": zone, "on": exchange_session.on, "started_at": exchange_session.started_at}


@access.needs("move.finish")
@both_ways
def finish(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    there = reverse("bedside:after", args=[patient_ref, key])
    if exchange_session.state != State.RUNNING:
        return redirect(there)
    form, page = ending_page(request, exchange_session, FinishForm)

    def save(at: datetime) -> str:
        finishing.finish(
            exchange_session=exchange_session, version=int(form.cleaned_data["version"] or 0), actor=request.user,
            at=at, key=form.cleaned_data["receipt"], reason=form.cleaned_data.get("reason") or "",
            seen=lines_seen(request),
        )  # fmt: skip
        return there

    return answer(request, page, action="finish session", save=save, done="The session is finished.")


@access.needs("move.abandon")
@both_ways
def abandon(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    form, page = ending_page(request, exchange_session, AbandonForm)

    def save(at: datetime) -> str:
        done = finishing.abandon(
            exchange_session=exchange_session, version=int(form.cleaned_data["version"] or 0), actor=request.user,
            at=at, key=form.cleaned_data["receipt"], reason=form.cleaned_data["reason"],
        )  # fmt: skip
        return reverse("bedside:after", args=[patient_ref, key]) if done.has_happened else course_of(exchange_session)

    page.title, page.submit = "Give the session up", "Abandon the session"
    return answer(request, page, action="abandon session", save=save, done="The session is abandoned.")


def course_of(exchange_session: ExchangeSession) -> str:
    return reverse("worklist:course", args=[exchange_session.patient.patient_ref])


def ending_page(
    request: access.SignedIn, exchange_session: ExchangeSession, kind: type[FinishForm]
) -> tuple[FinishForm, FormPage]:
    """Return the form of one of the two ends, and its page with the lines that are looked at."""
    now, runs = site_now(request.user), exchange_session.state == State.RUNNING
    settings = site_settings(exchange_session.patient.site, now)
    ending = ending_of(exchange_session, at=now, settings=settings)
    made = blank(request, now.date(), version=exchange_session.version)
    form = kind(**made, asks=bool(ending.asks) or kind is AbandonForm)
    page = FormPage("Finish the session", "", "Finish the session", "", [form], exchange_session.patient)
    page.template, page.extra = "bedside/finish.html", shown_of(exchange_session, ending, kind, settings)
    key = [exchange_session.patient.patient_ref, exchange_session.pk]
    page.back = reverse("bedside:run" if runs else "bedside:after", args=key)
    return form, page


def shown_of(
    exchange_session: ExchangeSession, ending: Ending, kind: type[FinishForm], settings: Mapping[str, float]
) -> dict[str, Any]:
    """Return what the page of an end shows beside its form."""
    automated = method_of(exchange_session, ending.plan) == Method.AUTOMATED
    runs = exchange_session.state == State.RUNNING
    return {
        "hb_left_high": hb_left_high(ending.plan, ending.state, settings) if runs and not automated else "",
        "checks": ending.checks,
        "seen": open_names(ending.checks),
        "exchange_session": exchange_session,
        "abandon": kind is AbandonForm,
        "nothing": ending.carried_out.is_nothing,
        "automated": automated,
        "totals_missing": automated and ending.state.totals is None and runs,
    }
