"""The course of one person, what-if questions about it, and lifting the haemolysis lock."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from patients.models import Patient
from programme.core import access, receipts
from programme.core.look import site_now
from programme.worklist.charts.full import draw_full, lettered
from programme.worklist.charts.plot import draw_plot
from programme.worklist.forms.what_if import LiftLockForm, WhatIfForm
from programme.worklist.queries.clinic import read_clinic
from programme.worklist.queries.course import CoursePage, read_course
from programme.worklist.queries.glass import opened_elsewhere
from programme.worklist.queries.what_if import Answer, answer_for
from sessions import services

SESSIONS_SHOWN = 15
SPANS = (("6", "6 months"), ("12", "12"), ("24", "24"), ("all", "all"))


@access.needs("see.course")
@require_safe
def course(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, Patient.objects.select_related("site"), patient_ref)
    now = site_now(request.user)
    page = read_course(patient, now)
    asks = any(request.GET.get(name) for name in WhatIfForm.base_fields)
    form = WhatIfForm(request.GET if asks else None, label_suffix="")
    context = _answers(request, page, answer_for(patient, page, form.asked(), now), form)
    if request.headers.get("HX-Request") and asks:
        return render(request, "worklist/_answers.html", context)
    opened = [] if patient.site_id != request.user.site_id else opened_elsewhere(request.user.site, patient)
    clinic = {"clinic": read_clinic(patient, page, now), "opened": opened}
    return render(request, "worklist/course.html", context | clinic | _whole(request, page))


@access.needs("change.haemolysis_lock")
@require_POST
def lift_lock(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, Patient.objects.select_related("site"), patient_ref)
    form = LiftLockForm(request.POST, label_suffix="")
    at = timezone.now()
    if form.is_valid() and _lifted(request, patient, form, at):
        messages.success(request, "The lock is lifted, with your reason.")
        return redirect("worklist:course", patient_ref)
    page = read_course(patient, site_now(request.user))
    context = _answers(request, page, answer_for(patient, page, None, at), WhatIfForm()) | _whole(request, page)
    context |= {"lift_form": form, "clinic": read_clinic(patient, page, site_now(request.user))}
    return render(request, "worklist/course.html", context, status=422)


def _lifted(request: access.SignedIn, patient: Patient, form: LiftLockForm, at: datetime) -> bool:
    """Lift the lock once for the form's key; what stands against it becomes an error of the form."""

    def lift() -> str:
        return str(services.lift_lock(patient=patient, reason=reason, actor=request.user, at=at).pk)

    reason, key = form.cleaned_data["reason"], form.cleaned_data["receipt"]
    try:
        receipts.once(key=key, actor=request.user, at=at, action=f"lift haemolysis lock of {patient.pk}", do=lift)
    except (ValidationError, receipts.BadReceipt) as error:
        form.add_error(None, error if isinstance(error, ValidationError) else str(error))
        return False
    return True


def _answers(request: access.SignedIn, page: CoursePage, answer: Answer, form: WhatIfForm) -> dict[str, Any]:
    """Return what the part below the picture prints."""
    return {
        "page": page,
        "answer": answer.suggested,
        "asked": answer.asked,
        "end_asked": answer.end_words,
        "longest": answer.longest,
        "faults": [fault for errors in form.errors.values() for fault in errors],
        "form": form,
        "may_decide": access.may(request.user, "change.goals") and not hasattr(request, "broken_glass"),
    }


def _whole(request: access.SignedIn, page: CoursePage) -> dict[str, Any]:
    """Return what the rest of the page prints."""
    usual = "24" if page.lock is None else "6"
    months = request.GET.get("months", usual)
    months = months if months in dict(SPANS) else usual
    rows = page.sessions if request.GET.get("sessions") == "all" else page.sessions[:SESSIONS_SHOWN]
    return {
        "picture": draw_full(page.course, page.details, months=None if months == "all" else int(months)),
        "notes": [(letter, date.fromordinal(day), words) for letter, day, words in lettered(page.details)],
        "plot": draw_plot(page.course, page.details),
        "spans": SPANS,
        "shown_months": months,
        "rows": rows,
        "earlier": len(page.sessions) - len(rows),
        "may_lift": access.may(request.user, "change.haemolysis_lock"),
        "lift_form": LiftLockForm(initial={"receipt": receipts.new_key()}, label_suffix=""),
        "nav": "course",
    }
