"""A reaction: stop, first actions, what was seen; and its judgement by a consultant."""

from __future__ import annotations

from datetime import datetime

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from patients.models import Patient
from programme.bedside.forms.reaction import JudgementForm, ReactionForm
from programme.bedside.queries.reaction import events_of, judgements_of, reaction_page
from programme.bedside.views.opening import open_session
from programme.core import access
from programme.core.look import site_now
from programme.core.receipts import new_key
from programme.worklist.views.people import blank, both_ways
from programme.worklist.views.saving import FormPage, answer
from sessions.day.models import AdverseEvent
from sessions.day.numeric.reactions import KINDS
from sessions.day.services.reacting import judge_reaction, note_reaction, stop_for_reaction

PEOPLE = Patient.objects.select_related("site")
JUDGE = "bedside/judge_reaction.html"


@access.needs("change.reaction")
@require_POST
def stop(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    """Stop the run at once. A second touch finds it stopped."""
    exchange_session = open_session(request, patient_ref, key)
    stopped = stop_for_reaction(exchange_session=exchange_session, key=new_key(), actor=request.user, at=timezone.now())
    if stopped is not None:
        messages.success(request, "The run is stopped. Nothing more is given until somebody resumes it.")
    return redirect("bedside:reaction", patient_ref, key)


@access.needs("change.reaction")
@both_ways
def reaction(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    now = site_now(request.user)
    shown = reaction_page(exchange_session, now=now)
    running = shown.running_unit
    form = ReactionForm(
        **blank(request, now.date(), unit=str(running.place) if running else ""),
        units=shown.units, ended_at=exchange_session.ended_at, now=now,
    )  # fmt: skip
    there = reverse("bedside:reaction", args=[patient_ref, key])

    def save(at: datetime) -> str:
        note_reaction(
            patient=exchange_session.patient, exchange_session=exchange_session, key=form.cleaned_data["receipt"],
            seen=form.seen(), judgement=form.judgement(), actor=request.user, at=at,
        )  # fmt: skip
        return there

    back = reverse("bedside:run" if shown.runs else "bedside:after", args=[patient_ref, key])
    page = FormPage("Reaction", "", "Note the reaction", back, [form], patient=exchange_session.patient)
    page.extra, page.template = {"shown": shown, "kinds": KINDS.values()}, "bedside/reaction.html"
    done = "The reaction is noted, and its follow-up is open."
    return answer(request, page, action="note reaction", save=save, done=done)


@access.needs("see.record")
@require_safe
def reactions(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    return render(request, "bedside/reactions.html", {"patient": patient, "events": events_of(patient)})


@access.needs("change.reaction_judgement")
@both_ways
def judge(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    event = AdverseEvent.objects.filter(pk=key, patient=patient).first()
    if event is None:
        raise Http404("This person has no such reaction.")
    form = judgement_form(request, event)
    there = reverse("bedside:reactions", args=[patient_ref])

    def save(at: datetime) -> str:
        given = form.cleaned_data
        judge_reaction(
            event=event, version=int(given["version"] or 0), kind=given["kind"], judgement=form.judgement(),
            outcome=given["outcome"] or "", why=given.get("why") or "", actor=request.user, at=at,
        )  # fmt: skip
        return there

    lede = f"Seen: {event.signs}. Done: {event.done or 'not said'}."
    page = FormPage("Judge the reaction", lede, "Put the judgement in force", there, [form], patient=patient)
    page.extra, page.template = {"earlier": judgements_of(event), "kinds": KINDS.values()}, JUDGE
    return answer(request, page, action="judge reaction", save=save, done="The judgement is in force.")


def judgement_form(request: access.SignedIn, event: AdverseEvent) -> JudgementForm:
    first = {name: getattr(event, name) or "" for name in ("kind", "severity", "imputability", "outcome")}
    filled = blank(request, site_now(request.user).date(), version=str(event.version), **first)
    return JudgementForm(**filled, judged=event.judged_at is not None)
