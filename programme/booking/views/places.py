"""The places for one person, and what becomes of one booking."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from programme.booking.forms.places import BookForm, BookingForm
from programme.booking.models import Booking
from programme.booking.numeric.places import spoken
from programme.booking.queries.blood import blood_of_place
from programme.booking.queries.contacts import who_waits
from programme.booking.queries.person import has_begun, read_booking, read_places
from programme.booking.services import booking as bookings
from programme.booking.services import moves
from programme.booking.views.saving import PEOPLE, REFUSED, book_once, chosen, faults_of, the_diary, typed_faults, where
from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.numeric.words import listed
from sessions.queries.in_hand import sessions_in_hand

BOOKINGS = Booking.objects.select_related("chair", "patient__site", "made_by", "moved_from__chair", "moved_to__chair")
both_ways = require_http_methods(["GET", "POST"])


@access.needs("change.booking")
@both_ways
def places(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    """The places for one person with their reasons; booking one that is late asks why."""
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    form = BookForm(request.POST if request.method == "POST" else None)
    faults = typed_faults(form)
    if form.is_bound and not faults:
        try:
            return redirect(book_once(request, patient, form, the_diary()))
        except REFUSED as error:
            faults = faults_of(error)
    now = site_now(request.user)
    shown = {
        "page": read_places(patient, now), "in_hand": sessions_in_hand(patient), "today": now.date(),
        "patient": patient, "faults": faults,
    }  # fmt: skip
    return render(request, "booking/places.html", shown | _of_form(form))


@access.needs("see.diary")
@both_ways
def booking(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    """One booking, and what becomes of it."""
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    row = get_object_or_404(BOOKINGS, pk=key, patient=patient)
    form = BookingForm(request.POST if request.method == "POST" else None)
    faults = typed_faults(form)
    if form.is_bound and not faults:
        try:
            return redirect(_act_once(request, row, form))
        except REFUSED as error:
            faults, row = faults_of(error), BOOKINGS.get(pk=key)
    shown = {"page": read_booking(row, site_now(request.user)), "patient": patient, "faults": faults}
    return render(request, "booking/booking.html", shown | _of_form(form))


def _of_form(form: BookForm | BookingForm) -> dict[str, Any]:
    return {"form": form, "chosen": chosen(form), "receipt": receipts.new_key(), "nav": "diary"}


def _act_once(request: access.SignedIn, row: Booking, form: BookingForm) -> str:
    """Do what the form asks, once for its key; return where to go next."""
    # Reading a booking is open to whoever sees the diary; changing it is another action of the matrix.
    if not access.may(request.user, "change.booking"):
        raise PermissionDenied("change.booking")
    now, given = timezone.now(), form.cleaned_data
    kept = {"booking": row, "version": given["version"], "actor": request.user, "at": now}

    def save() -> str:
        messages.success(request, ACTS[given["act"]](row, form, kept).strip())
        return the_diary()

    action = f"{given['act']} booking {row.pk}"
    return receipts.once(key=given["receipt"], actor=request.user, at=now, action=action, do=save)


Act = Callable[[Booking, BookingForm, dict[str, Any]], str]
"""Does one act with a booking, what the form says and what every service is given; returns what was done."""


def _confirm(row: Booking, form: BookingForm, kept: dict[str, Any]) -> str:
    bookings.confirm(**kept)
    return f"{row.patient.shown_name} knows and will come: {where(row)}."


def _came(row: Booking, form: BookingForm, kept: dict[str, Any]) -> str:
    moves.came(**kept)
    return f"{row.patient.shown_name} came on {spoken(row.on)}."


def _missed(row: Booking, form: BookingForm, kept: dict[str, Any]) -> str:
    more = moves.did_not_come(reason=form.cleaned_data["reason"], **kept)
    return f"{row.patient.shown_name} did not come on {spoken(row.on)}; the list asks for a call. {more}"


def _cancel(row: Booking, form: BookingForm, kept: dict[str, Any]) -> str:
    more = moves.cancel(ended_by=form.cleaned_data["ended_by"], reason=form.cleaned_data["reason"], **kept)
    return f"{row.patient.shown_name}: the place on {spoken(row.on)} is cancelled. {more} {_now_free(row, kept['at'])}"


def _move(row: Booking, form: BookingForm, kept: dict[str, Any]) -> str:
    given = form.cleaned_data
    asked = given["place"]
    new, more = moves.move(
        chair_pk=asked.chair_pk, on=asked.on, slot=asked.slot, ended_by=given["ended_by"], reason=given["reason"],
        reasons=form.reasons, **kept,
    )  # fmt: skip
    blood = blood_of_place(new, kept["at"], goes_with=row.on)
    return f"{row.patient.shown_name} is moved: {where(new)}. {blood} {more} {_now_free(row, kept['at'])}"


def _now_free(row: Booking, at: datetime) -> str:
    """Name who waits for an earlier place, where one that can still be had fell away; '' where nobody does."""
    names = () if has_begun(row, at) else who_waits(row, at.astimezone(ZoneInfo(row.patient.site.time_zone)))
    if not names:
        return ""
    wait = "waits" if len(names) == 1 else "wait"
    return f"{listed(names)} {wait} for an earlier place: see To reach."


ACTS: dict[str, Act] = {"confirm": _confirm, "came": _came, "missed": _missed, "cancel": _cancel, "move": _move}
