"""The diary: the sheet, and one touch that books a place of it."""

from __future__ import annotations

from datetime import date

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from programme.booking.forms.places import DiaryBookForm
from programme.booking.queries.chairs import displaced
from programme.booking.queries.diary import read_diary
from programme.booking.views.saving import PEOPLE, REFUSED, book_once, faults_of, the_diary, typed_faults
from programme.core import access, receipts
from programme.core.look import site_now


@access.needs("see.diary")
@require_GET
def diary(request: access.SignedIn) -> HttpResponse:
    since = _day(request)
    page = read_diary(request.user.site, site_now(request.user), since=since)
    troubled = displaced(request.user.site, site_now(request.user).date())
    shown = {"page": page, "displaced": troubled, "receipt": receipts.new_key(), "nav": "diary", "since": since}
    return render(request, "booking/diary.html", shown)


def _day(request: access.SignedIn) -> date | None:
    """The day that the address asks for; one that cannot be read is said, and today taken."""
    asked = request.GET.get("since", "")
    try:
        day = date.fromisoformat(asked) if asked else None
        if day is not None and not 2000 <= day.year <= 2100:
            raise ValueError
    except ValueError:
        messages.error(request, f"{asked[:20]!r} is no day of the diary; write one such as 2026-06-01.")
        return None
    return day


@access.needs("change.booking")
@require_POST
def book_from_diary(request: access.SignedIn) -> HttpResponse:
    """The button names the person and the place. What needs a reason goes on to the person's places."""
    form = DiaryBookForm(request.POST)
    if not form.is_valid():
        messages.error(request, " ".join(typed_faults(form).values()))
        return redirect(the_diary())
    patient = access.open_patient(request, PEOPLE.all(), form.patient_ref)
    there, faults = the_diary(form.cleaned_data["since"]), dict[str, str]()
    try:
        return redirect(book_once(request, patient, form, there))
    except REFUSED as error:
        faults = faults_of(error)
        messages.error(request, " ".join(faults.values()))
    asks = faults.keys() & {"late_reason", "far_late", "second_reason"}
    return redirect(reverse("booking:places", args=[patient.patient_ref]) if asks else there)
