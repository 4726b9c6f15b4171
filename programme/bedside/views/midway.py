"""The plan of a running session, changed mid-way and signed at the chair."""

from __future__ import annotations

from datetime import datetime

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from programme.bedside.forms.midway import ChangeForm
from programme.bedside.numeric.cautions import Caution, drawn_first
from programme.bedside.queries.drafting import drawn_ahead_ml
from programme.bedside.queries.midway import Midway, draft_midway, midway
from programme.bedside.queries.start import prescribers_of
from programme.bedside.views.opening import open_session
from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.models import User
from programme.core.services import prove
from programme.core.settings_of_site import site_settings
from programme.worklist.queries.who import blood_needed
from sessions.day.numeric.draft import PlanDraft, passed, unbreakable
from sessions.day.services.prescribing import change_plan
from sessions.models import ExchangeSession, Method, State

NOT_HERE = {Method.AUTOMATED: "An automated session is changed on the machine; enter here what it gave and drew."}


@access.needs("change.plan")
@require_http_methods(["GET", "POST"])
def change(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    there = reverse("bedside:run", args=[patient_ref, key])
    now = midway(exchange_session)
    if now is None or exchange_session.state != State.RUNNING or now.plan.method in NOT_HERE:
        words = NOT_HERE.get(Method(now.plan.method), "") if now else ""
        messages.error(request, words or "Only the plan of a running session is changed here.")
        return redirect(there)
    at = site_now(request.user)
    form = form_of(request, now, at)
    draft, problem = worked_out(now, form, at)
    if form.signing and (draft is not None or form.moved_on) and form.sign.is_valid():
        problem = signed(request, exchange_session, form, draft)
        if not problem:
            messages.success(request, "The changed plan is signed and in force.")
            return redirect(there)
    if form.moved_on and "do" in request.POST:
        problem = problem or f"{form.moved_on}."
    return shown(request, now, form, draft, problem, at)


def form_of(request: access.SignedIn, now: Midway, at: datetime) -> ChangeForm:
    signs_alone = access.may(request.user, "move.authorise")
    people = {} if signs_alone else prescribers_of(request.user.site)
    settings = site_settings(request.user.site, at)
    return ChangeForm.of(
        now,
        request.POST if request.method == "POST" else None,
        today=at.date(),
        prescribers={user.username: user.full_name for user in people.values()},
        unit_hb_g_l=1000.0 * settings["unit_hb_g"] / settings["unit_volume_ml"],
    )


def worked_out(now: Midway, form: ChangeForm, at: datetime) -> tuple[PlanDraft | None, str]:
    if not form.rows_are_valid():
        return None, ""
    try:
        return draft_midway(now, form.laid(), at=at), ""
    except ValueError as error:
        return None, f"This cannot be carried out: {error}."


def signed(
    request: access.SignedIn, exchange_session: ExchangeSession, form: ChangeForm, draft: PlanDraft | None
) -> str:
    """Sign and store the plan once for this form; return why not, or ''."""
    at, given = timezone.now(), form.sign.cleaned_data

    def do(signed_by: User) -> str:
        if draft is None or form.moved_on:  # asked here, for the same form sent twice has moved the plan on by itself
            raise ValidationError(f"{form.moved_on}.")
        reasons = {row["name"]: given["passing"] or "" for row in passed(draft.limits)}
        plan = change_plan(
            exchange_session=exchange_session, draft=draft, signed_by=signed_by, reasons=reasons, actor=request.user,
            at=at, why=given["why"],
        )  # fmt: skip
        return str(plan.pk)

    try:
        by = who_signs(request, form, at)
        receipts.once(key=given["receipt"], actor=request.user, at=at, action="change plan", do=lambda: do(by))
    except (ValidationError, receipts.BadReceipt) as error:
        return " ".join(error.messages) if isinstance(error, ValidationError) else str(error)
    return ""


def who_signs(request: access.SignedIn, form: ChangeForm, at: datetime) -> User:
    given = form.sign.cleaned_data
    if "prescriber" not in form.sign.fields:
        return request.user
    return prove(
        username=given["prescriber"], secret=given["secret"], site=request.user.site, actor=request.user, at=at,
        instead="the prescriber signs in themselves and changes the plan",
    )  # fmt: skip


def cautions_of(now: Midway, draft: PlanDraft | None) -> tuple[Caution, ...]:
    if draft is None or not now.exchange_session.patient.is_flagged:
        return ()
    return drawn_first(drawn_ahead_ml(draft, done=len(now.done)), draft.weight_kg)


def shown(
    request: access.SignedIn, now: Midway, form: ChangeForm, draft: PlanDraft | None, problem: str, at: datetime
) -> HttpResponse:
    exchange_session = now.exchange_session
    context = {
        "now": now, "form": form, "draft": draft, "problem": problem, "passed": passed(draft.limits) if draft else (),
        "barred": unbreakable(draft.limits) if draft else (),
        "cautions": cautions_of(now, draft), "faults": form.faults, "exchange_session": exchange_session,
        "patient": exchange_session.patient, "blood": blood_needed(exchange_session.patient, at.date()),
    }  # fmt: skip
    is_typing = request.headers.get("HX-Request") and "do" not in request.POST  # only what is reckoned, no field
    return render(request, "bedside/_change_typed.html" if is_typing else "bedside/change.html", context)
