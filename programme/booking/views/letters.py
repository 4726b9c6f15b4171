"""Reminder letters of one booking."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_safe

from programme.booking.models import STANDING, Booking
from programme.booking.pdf import reminder_pdf
from programme.booking.queries.person import trouble_of
from programme.booking.views.saving import PEOPLE
from programme.core import access
from programme.core.look import site_now
from programme.core.settings_of_site import site_texts


@access.needs("see.diary")
@require_safe
def reminder(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    """The letter of a booking that stands and can be kept; others have none."""
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    row, now = get_object_or_404(Booking, patient=patient, pk=key), site_now(request.user)
    if row.state not in STANDING:
        raise Http404(f"This booking is {row.get_state_display()}: there is nothing to remind of.")
    row.patient = patient
    trouble = trouble_of(row, now.date())
    if trouble:  # a letter would call somebody to a place that is not there
        messages.error(request, f"No letter was written: this place cannot be kept, {trouble}.")
        return redirect("booking:booking", patient_ref, row.pk)
    family, _, given = patient.shown_name.partition(", ")
    paper = reminder_pdf(
        name=f"{given} {family}".strip(), unit=patient.site.name, on=row.on, starts=row.starts,
        text=site_texts(patient.site, now)["reminder"], written_on=now.date(),
    )  # fmt: skip
    headers = {"Content-Disposition": f'inline; filename="reminder-{row.on.isoformat()}.pdf"'}
    return HttpResponse(paper, content_type="application/pdf", headers=headers)
