"""What the pages of the diary share: booking once for a form's key, and what was refused by field."""

from __future__ import annotations

from datetime import date

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.forms import Form
from django.urls import reverse
from django.utils import timezone

from patients.models import Patient
from programme.booking.forms.places import BookForm
from programme.booking.models import Booking
from programme.booking.numeric.places import spoken
from programme.booking.queries.blood import blood_of_place
from programme.booking.services import booking as bookings
from programme.core import access, receipts
from programme.core.models import EditedMeanwhile

PEOPLE = Patient.objects.select_related("site")
REFUSED = (ValidationError, EditedMeanwhile, receipts.BadReceipt)


def the_diary(since: date | None = None) -> str:
    """The address of the sheet that shows a day."""
    return reverse("booking:diary") + ("" if since is None else f"?since={since.isoformat()}")


def book_once(request: access.SignedIn, patient: Patient, form: BookForm, there: str) -> str:
    """Book once for the form's key; return where to go next."""
    now, asked = timezone.now(), form.cleaned_data["place"]

    def save() -> str:
        made = bookings.book(
            patient=patient, chair_pk=asked.chair_pk, on=asked.on, slot=asked.slot, actor=request.user, at=now,
            reasons=form.reasons,
        )  # fmt: skip
        messages.success(request, f"{patient.shown_name} is booked: {where(made)}. {blood_of_place(made, now)}".strip())
        return there

    key = form.cleaned_data["receipt"]
    return receipts.once(key=key, actor=request.user, at=now, action=f"book {patient.pk}", do=save)


def where(booking: Booking) -> str:
    """'Tue 9 Jun 2026, 09:30, Chair 2'."""
    return f"{spoken(booking.on)}, {booking.starts:%H:%M}, {booking.chair.name}"


def chosen(form: Form) -> str:
    """The place that was ticked, as it was sent."""
    return str(form["place"].value() or "") if form.is_bound else ""


def typed_faults(form: Form) -> dict[str, str]:
    """What the form itself refuses, by field."""
    return {name: " ".join(map(str, words)) for name, words in form.errors.items()} if form.is_bound else {}


def faults_of(error: Exception) -> dict[str, str]:
    """Return what a service refused, by field; 'all' where it belongs to none."""
    if not isinstance(error, ValidationError):
        return {"all": str(error)}
    if hasattr(error, "error_dict"):
        return {name: " ".join(words) for name, words in error.message_dict.items()}
    return {"all": " ".join(error.messages)}
