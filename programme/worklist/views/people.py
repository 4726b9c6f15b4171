"""Forms about a person: add, change, measures, goals, blood to give, standing."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from patients import clinic, services
from patients.goals import set_goals
from patients.models import Antibody, Patient, TransfusionNeeds
from programme.core import access
from programme.core.look import site_now
from programme.core.receipts import new_key
from programme.core.settings_of_site import site_settings
from programme.worklist.forms.people import GoalsForm, MeasureForm, NeedsForm, PersonForm, StandingForm
from programme.worklist.queries.records import goals_in_force, record_of
from programme.worklist.queries.still_open import still_open_words
from programme.worklist.queries.without import without_exchange
from programme.worklist.views.saving import FormPage, answer

PEOPLE = Patient.objects.select_related("site")
both_ways = require_http_methods(["GET", "POST"])


def records_of(patient: Patient) -> str:
    return reverse("worklist:records", args=[patient.patient_ref])


def blank(request: access.SignedIn, today: date, **initial: Any) -> dict[str, Any]:
    """Return what every form is made with: what was sent, a fresh one-time key, the day."""
    sent = request.POST if request.method == "POST" else None
    return {"data": sent, "today": today, "initial": {"receipt": new_key(), **initial}}


@access.needs("change.person")
@both_ways
def add_person(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    forms: list[Any] = [PersonForm(**blank(request, now.date()), adding=True)]
    if access.may(request.user, "change.needs"):
        forms.append(NeedsForm(**blank(request, now.date(), hbs_negative=True), prefix="needs"))
    if access.may(request.user, "change.goals"):
        usual = GoalsForm.initial_of(
            goals_in_force(None, now.date(), site_settings(request.user.site, now)), now.date()
        )
        forms.append(GoalsForm(**blank(request, now.date(), **usual), prefix="goals"))
    lede = "One page. Only the reference and the sex are needed to begin; what is missing later says so by itself."
    page = FormPage("Add a person", lede, "Add this person", reverse("worklist:list"), forms)
    return answer(request, page, action="add person", save=lambda at: save_person(request, forms, at), done="Added.")


@transaction.atomic
def save_person(request: access.SignedIn, forms: list[Any], at: datetime) -> str:
    """Write the person and, of the other parts of the page, what was filled in: all of it or none."""
    person = forms[0].cleaned_data
    patient = services.add_patient(
        site=request.user.site, patient_ref=person["patient_ref"], details=forms[0].details(),
        height_cm=person["height_cm"], weight_kg=person["weight_kg"], actor=request.user, at=at,
    )  # fmt: skip
    for form in forms[1:]:
        if isinstance(form, NeedsForm) and (form.says_something or form.cleaned_data["antibody"]):
            save_needs(request, patient, form, None, at)
        if isinstance(form, GoalsForm):
            save_goals(request, patient, form, at)
    return records_of(patient)


@access.needs("change.person")
@both_ways
def change_person(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    form = PersonForm(**blank(request, site_now(request.user).date(), **PersonForm.initial_of(patient)), adding=False)

    def save(at: datetime) -> str:
        version = int(form.cleaned_data["version"] or 0)
        services.change_patient(patient=patient, version=version, details=form.details(), actor=request.user, at=at)
        return records_of(patient)

    def fresh() -> dict[str, Any]:
        return PersonForm.initial_of(Patient.objects.get(pk=patient.pk))

    lede = "What is changed is kept in the trail, as it was and as it is."
    page = FormPage("Change a person", lede, "Save", records_of(patient), [form], patient, fresh)
    return answer(request, page, action="change person", save=save, done="Saved.")


@access.needs("change.needs")
@both_ways
def change_needs(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    needs = TransfusionNeeds.objects.filter(patient=patient).first()
    form = NeedsForm(**blank(request, site_now(request.user).date(), **NeedsForm.initial_of(needs)))

    def save(at: datetime) -> str:
        version = int(form.cleaned_data["version"]) if form.cleaned_data["version"] else None
        save_needs(request, patient, form, version, at)
        return records_of(patient)

    def fresh() -> dict[str, Any]:
        return NeedsForm.initial_of(TransfusionNeeds.objects.filter(patient=patient).first())

    found = Antibody.objects.filter(patient=patient, withdrawn_reason="").order_by("found_year", "name")
    names = ", ".join(f"{row.name} {row.found_year or ''}".strip() for row in found)
    extra = {"found": f"Antibodies ever found: {names or 'none recorded'}."}
    lede = "Every antibody ever found binds, also when it can no longer be detected."
    page = FormPage("Blood to give", lede, "Save", records_of(patient), [form], patient, fresh, extra)
    return answer(request, page, action="change needs", save=save, done="Saved.")


@transaction.atomic
def save_needs(request: access.SignedIn, patient: Patient, form: NeedsForm, version: int | None, at: datetime) -> None:
    """Write the needs and, if one was named, the antibody: both or neither."""
    given = form.cleaned_data
    services.set_needs(patient=patient, version=version, actor=request.user, at=at, **form.needs())
    if given["antibody"]:
        year = None if given["found_year"] is None else int(given["found_year"])
        services.add_antibody(
            patient=patient, name=given["antibody"], found_year=year, found_elsewhere=given["found_elsewhere"],
            actor=request.user, at=at,
        )  # fmt: skip


def save_goals(request: access.SignedIn, patient: Patient, form: GoalsForm, at: datetime) -> None:
    set_goals(
        patient=patient, since=form.cleaned_data["since"], figures=form.figures(), reason=form.cleaned_data["reason"],
        actor=request.user, at=at,
    )  # fmt: skip


@access.needs("change.person")
@both_ways
def add_measure(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    last = record_of(patient, now.date(), site_settings(patient.site, now))
    form = MeasureForm(
        **blank(request, now.date(), on=now.date()), last_weight_kg=last.weight_kg, last_height_cm=last.height_cm
    )

    def save(at: datetime) -> str:
        given = {name: form.cleaned_data[name] for name in ("on", "weight_kg", "height_cm", "source")}
        services.record_measure(patient=patient, actor=request.user, at=at, **given)
        return records_of(patient)

    lede = "Volumes and limits follow the newest weight."
    page = FormPage("Weight and height", lede, "Record", records_of(patient), [form], patient, at_chair=True)
    return answer(request, page, action="record measure", save=save, done="Recorded.")


@access.needs("change.standing")
@both_ways
def change_standing(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    initial = StandingForm.initial_of(patient) | {"standing_since": now.date(), "standing_reason": ""}
    form = StandingForm(**blank(request, now.date(), **initial))

    def save(at: datetime) -> str:
        given = form.cleaned_data
        clinic.change_standing(
            patient=patient, version=int(given["version"] or 0), standing=given["standing"],
            since=given["standing_since"], reason=given["standing_reason"], left_because=given["left_because"],
            review_on=given["standing_review_on"], actor=request.user, at=at,
        )  # fmt: skip
        patient.refresh_from_db()
        if open_still := still_open_words(patient, now.date()):
            messages.error(request, open_still)
        return records_of(patient)

    def fresh() -> dict[str, Any]:
        return StandingForm.initial_of(Patient.objects.get(pk=patient.pk))

    effect = " ".join(without_exchange(patient, now.date(), site_settings(patient.site, now)))
    lede = f"Who is paused or has left gets no suggestion; nothing is deleted. {effect}"
    page = FormPage("On the programme", lede, "Save", records_of(patient), [form], patient, fresh)
    return answer(request, page, action="change standing", save=save, done="Saved.")
