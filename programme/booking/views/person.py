"""One person and the diary: wishes, days away, tries to reach them, waiting for an earlier place."""

from __future__ import annotations

from datetime import datetime
from functools import partial

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from patients.models import Patient
from programme.booking.forms.person import AwayForm, ContactForm, PersonForm, ReasonForm, WaitingForm, WishesForm
from programme.booking.models import Away, Waiting
from programme.booking.numeric.places import spoken
from programme.booking.queries.chairs import booked_while_away
from programme.booking.queries.contacts import read_contacts
from programme.booking.queries.wishes import person_diary, wishes_of
from programme.booking.services import contacts as contact_services
from programme.booking.services import wishes as services
from programme.booking.views.pages import FormPage, answer, asked
from programme.booking.views.saving import PEOPLE
from programme.core import access
from programme.core.look import site_now
from programme.core.numeric.words import listed

both_ways = require_http_methods(["GET", "POST"])


@access.needs("see.diary")
@require_safe
def contacts(request: access.SignedIn) -> HttpResponse:
    """Who has to be reached, and who waits for an earlier place."""
    page = read_contacts(request.user.site, site_now(request.user))
    return render(request, "booking/contacts.html", {"page": page, "nav": "diary"})


@access.needs("see.diary")
@require_safe
def suits(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    """What suits a person, when they are away, who tried to reach them and when."""
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    page = person_diary(patient, site_now(request.user).date())
    return render(request, "booking/suits.html", {"page": page, "patient": patient, "nav": "diary"})


def _back(patient: Patient) -> str:
    return reverse("booking:suits", args=[patient.patient_ref])


def _page(patient: Patient, title: str, lede: str, submit: str, form: PersonForm) -> FormPage:
    return FormPage(title, lede, submit, _back(patient), form, patient)


@access.needs("change.wishes")
@both_ways
def wishes(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    given = asked(request)
    given["initial"].update(WishesForm.values(wishes_of(patient)))
    form = WishesForm(**given)

    def save(at: datetime) -> str:
        values = {name: value for name, value in form.cleaned_data.items() if name not in ("receipt", "version")}
        version = form.cleaned_data["version"] or 0
        services.set_wishes(patient=patient, version=version, actor=request.user, at=at, **values)
        return "The wishes are kept."

    lede = "Days that suit move a place up or down; earliest start and latest end are always kept."
    return answer(request, _page(patient, "What suits", lede, "Save", form), action=f"wishes {patient.pk}", save=save)


@access.needs("change.wishes")
@both_ways
def add_away(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    form = AwayForm(**asked(request))

    def save(at: datetime) -> str:
        values = {name: form.cleaned_data[name] for name in ("since", "until", "cannot", "words")}
        services.add_away(patient=patient, actor=request.user, at=at, **values)
        booked = booked_while_away(patient, site_now(request.user).date())
        if booked:
            places = listed([spoken(row.on) for row in booked])
            messages.error(request, f"They are booked on {places}, when they cannot come: move or cancel that place.")
        return "The days are kept."

    lede = (
        "On days on which somebody cannot come no place is offered; days they would rather not come are offered last."
    )
    return answer(request, _page(patient, "Days away", lede, "Save", form), action=f"away {patient.pk}", save=save)


@access.needs("change.wishes")
@both_ways
def withdraw_away(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    row = get_object_or_404(Away.objects.filter(withdrawn_reason=""), patient=patient, pk=key)
    do = partial(services.withdraw_away, row=row)
    return _take_back(request, patient, row, "Withdraw days away", "The days stay in the record.", do)


@access.needs("change.wishes")
@both_ways
def stop_waiting(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    row = get_object_or_404(Waiting.objects.filter(ended_on=None), patient=patient, pk=key)
    do = partial(services.stop_waiting, row=row)
    return _take_back(request, patient, row, "No longer waiting", "They are taken off the waiting list.", do)


def _take_back(
    request: access.SignedIn, patient: Patient, row: Away | Waiting, title: str, lede: str, do: partial[None]
) -> HttpResponse:
    """Ask for the reason, then end a row."""
    given = asked(request)
    given["initial"].update(version=row.version)
    form = ReasonForm(**given)

    def save(at: datetime) -> str:
        version, reason = form.cleaned_data["version"] or 0, form.cleaned_data["reason"]
        do(version=version, reason=reason, actor=request.user, at=at)
        return "It is taken back."

    page = _page(patient, title, lede, "Take back", form)
    return answer(request, page, action=f"take back {row._meta.label} {row.pk}", save=save)


@access.needs("change.booking")
@both_ways
def log_contact(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    form = ContactForm(**asked(request))

    def save(at: datetime) -> str:
        values = {name: form.cleaned_data[name] for name in ("outcome", "next_try_on", "words")}
        contact_services.log_contact(patient=patient, actor=request.user, at=at, **values)
        return "The try is kept."

    lede = "Every try to reach somebody is kept, also one that nobody answered."
    return answer(
        request, _page(patient, "A try to reach", lede, "Save", form), action=f"contact {patient.pk}", save=save
    )


@access.needs("change.wishes")
@both_ways
def wait(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    form = WaitingForm(**asked(request))

    def save(at: datetime) -> str:
        given = form.cleaned_data
        services.wait(patient=patient, not_before=given["not_before"], words=given["words"], actor=request.user, at=at)
        return "They are on the waiting list."

    lede = "For somebody who would take an earlier place if one becomes free."
    return answer(
        request, _page(patient, "Wait for an earlier place", lede, "Save", form), action=f"wait {patient.pk}", save=save
    )
