"""The diary, the places for one person, and one booking."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from patients.models import Patient
from programme.booking.forms.places import Asked, BookForm, BookingForm, DiaryBookForm
from programme.booking.models import Booking
from programme.booking.numeric.places import spoken
from programme.booking.queries.diary import read_diary
from programme.booking.queries.person import read_booking, read_places
from programme.booking.services import booking as bookings
from programme.booking.services import moves
from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.models import EditedMeanwhile

PEOPLE = Patient.objects.select_related("site")
BOOKINGS = Booking.objects.select_related("chair", "patient__site", "made_by", "moved_from__chair", "moved_to__chair")
both_ways = require_http_methods(["GET", "POST"])
REFUSED = (ValidationError, EditedMeanwhile, receipts.BadReceipt)


@access.needs("see.diary")
@require_GET
def diary(request: access.SignedIn) -> HttpResponse:
    since = _day(request)
    page = read_diary(request.user.site, site_now(request.user), since=since)
    shown = {"page": page, "receipt": receipts.new_key(), "nav": "diary", "since": since}
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
    """One touch: the button names the person and the place. What needs a reason goes on to the person's places."""
    form = DiaryBookForm(request.POST)
    if not form.is_valid():
        messages.error(request, " ".join(_typed(form).values()))
        return redirect(_diary())
    since = f"?since={form.cleaned_data['since']}" if form.cleaned_data["since"] else ""
    patient = access.open_patient(request.user, PEOPLE.all(), form.patient_ref)
    try:
        return redirect(_book(request, patient, form, _diary(since)))
    except REFUSED as error:
        messages.error(request, said(error))
        needs_reason = isinstance(error, ValidationError) and "late_reason" in getattr(error, "error_dict", {})
    return redirect(reverse("booking:places", args=[patient.patient_ref]) if needs_reason else _diary(since))


def _diary(since: str = "") -> str:
    return reverse("booking:diary") + since


def _book(request: access.SignedIn, patient: Patient, form: BookForm, there: str) -> str:
    """Book once for the form's key; return where to go next."""
    now, asked = timezone.now(), form.cleaned_data["place"]

    def save() -> str:
        made = bookings.book(
            patient=patient, chair_pk=asked.chair_pk, on=asked.on, slot=asked.slot, actor=request.user, at=now,
            late_reason=form.cleaned_data["late_reason"],
        )  # fmt: skip
        messages.success(request, f"{patient.shown_name} is booked: {where(made)}.")
        return there

    key = form.cleaned_data["receipt"]
    return receipts.once(key=key, actor=request.user, at=now, action=f"book {patient.pk}", do=save)


def where(booking: Booking) -> str:
    """'Tue 9 Jun 2026, 09:30, Chair 2'."""
    return f"{spoken(booking.on)}, {booking.starts:%H:%M}, {booking.chair.name}"


@access.needs("change.booking")
@both_ways
def places(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    """The places for one person with their reasons; booking one that is late asks why."""
    patient = access.open_patient(request.user, PEOPLE.all(), patient_ref)
    form, faults = BookForm(request.POST or None), dict[str, str]()
    if request.method == "POST" and form.is_valid():
        try:
            return redirect(_book(request, patient, form, _diary()))
        except REFUSED as error:
            faults = faults_of(error)
    faults |= _typed(form)
    page = read_places(patient, site_now(request.user))
    shown = {"page": page, "patient": patient, "form": form, "faults": faults, "chosen": _chosen(form)}
    return render(request, "booking/places.html", shown | {"receipt": receipts.new_key(), "nav": "diary"})


@access.needs("see.diary")
@both_ways
def booking(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    """One booking, and what becomes of it."""
    patient = access.open_patient(request.user, PEOPLE.all(), patient_ref)
    row = get_object_or_404(BOOKINGS, pk=key, patient=patient)
    form, faults = BookingForm(request.POST or None), dict[str, str]()
    if request.method == "POST":
        access_to_change(request)
        if form.is_valid():
            try:
                return redirect(_act(request, row, form))
            except REFUSED as error:
                faults = faults_of(error)
                row = BOOKINGS.get(pk=key)
        faults |= _typed(form)
    page = read_booking(row, site_now(request.user))
    shown = {"page": page, "patient": patient, "form": form, "faults": faults, "chosen": _chosen(form)}
    return render(request, "booking/booking.html", shown | {"receipt": receipts.new_key(), "nav": "diary"})


def access_to_change(request: access.SignedIn) -> None:
    """Reading a booking is open to whoever sees the diary; changing it is another action of the matrix."""
    if not access.may(request.user, "change.booking"):
        raise PermissionDenied("change.booking")


def _act(request: access.SignedIn, row: Booking, form: BookingForm) -> str:
    """Do what the form asks, once for its key; return where to go next."""
    now, given = timezone.now(), form.cleaned_data

    def save() -> str:
        messages.success(request, _do(request, row, given, now))
        return _diary()

    action = f"{given['act']} booking {row.pk}"
    return receipts.once(key=given["receipt"], actor=request.user, at=now, action=action, do=save)


def _do(request: access.SignedIn, row: Booking, given: dict[str, Any], now: datetime) -> str:
    """Call the service of an act; return what was done in words."""
    name, who = row.patient.shown_name, {"actor": request.user, "at": now}
    kept: dict[str, Any] = {"booking": row, "version": given["version"], **who}
    ended = {"ended_by": given["ended_by"], "reason": given["reason"]}
    if given["act"] == "confirm":
        bookings.confirm(**kept)
        return f"{name} knows and will come: {where(row)}."
    if given["act"] == "came":
        moves.came(**kept)
        return f"{name} came on {spoken(row.on)}."
    if given["act"] == "missed":
        said_more = moves.did_not_come(reason=given["reason"], **kept)
        return f"{name} did not come on {spoken(row.on)}; the list asks for a call. {said_more}".strip()
    if given["act"] == "cancel":
        return f"{name}’s place on {spoken(row.on)} is cancelled. {moves.cancel(**ended, **kept)}".strip()
    asked: Asked = given["place"]
    new, said_more = moves.move(
        chair_pk=asked.chair_pk, on=asked.on, slot=asked.slot, late_reason=given["late_reason"], **ended, **kept
    )
    return f"{name} is moved: {where(new)}. {said_more}".strip()


def _chosen(form: BookForm | BookingForm) -> str:
    """The place that was ticked, as it was sent."""
    return str(form["place"].value() or "") if form.is_bound else ""


def _typed(form: BookForm | BookingForm) -> dict[str, str]:
    """What the form itself refuses, by field."""
    return {name: " ".join(map(str, words)) for name, words in form.errors.items()} if form.is_bound else {}


def faults_of(error: Exception) -> dict[str, str]:
    """Return what was refused by field; 'all' where it belongs to none."""
    if isinstance(error, ValidationError) and hasattr(error, "error_dict"):
        return {name: " ".join(words) for name, words in error.message_dict.items()}
    return {"all": said(error)}


def said(error: Exception) -> str:
    return " ".join(error.messages) if isinstance(error, ValidationError) else str(error)
