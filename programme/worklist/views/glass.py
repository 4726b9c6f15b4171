"""Breaking the glass to a person of another unit, and their own unit acknowledging it."""

from __future__ import annotations

from datetime import datetime

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from patients.models import Patient
from programme.core import access, break_glass
from programme.core.look import site_now
from programme.core.models import BrokenGlass
from programme.worklist.forms.glass import GlassForm
from programme.worklist.views.people import PEOPLE, blank, both_ways
from programme.worklist.views.saving import FormPage, answer

LEDE = (
    "For somebody of another unit whom you must see now. You read their course and records for four hours and change "
    "nothing. Your name, unit and reason stand in their trail at once, and their own unit is shown them until it has "
    "read them."
)


@access.needs("break_glass.ask")
@both_ways
def ask(request: access.SignedIn) -> HttpResponse:
    form = GlassForm(**blank(request, site_now(request.user).date()))
    page = FormPage("Somebody of another unit", LEDE, "Open their pages", reverse("worklist:list"), [form])
    people, user = Patient.objects.all(), request.user
    found: Patient | None = None
    if request.method == "POST" and page.is_valid():
        ref, born = form.cleaned_data["patient_ref"], form.cleaned_data["birth_date"]
        try:  # before anything is saved once: a wrong try stays counted
            found = break_glass.find(people=people, patient_ref=ref, birth_date=born, user=user, at=timezone.now())
        except ValidationError as error:
            page.take(error)

    def save(at: datetime) -> str:
        kind, words = form.cleaned_data["kind"], form.cleaned_data["words"]
        break_glass.break_it(people=people, patient=found, kind=kind, words=words, user=user, at=at)
        return reverse("worklist:course", args=[form.cleaned_data["patient_ref"]])

    return answer(request, page, action="break the glass", save=save, done="Their pages are open to you, to be read.")


@access.needs("change.broken_glass")
@require_POST
def acknowledge(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    people = Patient.objects.all()
    try:
        break_glass.acknowledge(people=people, patient=patient, key=key, actor=request.user, at=timezone.now())
    except BrokenGlass.DoesNotExist as error:
        raise Http404("Nobody broke the glass to this person under this number.") from error
    messages.success(request, "Noted with your name.")
    return redirect("worklist:course", patient_ref)
