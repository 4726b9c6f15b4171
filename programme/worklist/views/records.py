"""What happened to a person, entered by hand: sessions, results, other transfusions, signs noted afterwards."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from patients import services as patient_services
from patients.models import LabResult, Patient
from programme.core import access
from programme.core.look import site_now
from programme.core.settings_of_site import site_settings
from programme.worklist.forms.sessions import (
    MOST_GIVEN_STEPS,
    STEPS_OFFERED,
    CorrectResultForm,
    FollowUpForm,
    GivenStepForm,
    SampleForm,
    SessionForm,
    TransfusionForm,
    WithdrawForm,
)
from programme.worklist.queries.records import record_of, records_page
from programme.worklist.views.people import PEOPLE, blank, both_ways, records_of
from programme.worklist.views.saving import FormPage, answer
from sessions import services
from sessions.models import ExchangeSession, OtherTransfusion


@access.needs("see.course")
@require_safe
def records(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    page = records_page(patient, on=now.date(), at=now)
    return render(request, "worklist/records.html", {"page": page, "nav": "list"})


def session_form(
    request: access.SignedIn, patient: Patient, before: ExchangeSession | None
) -> tuple[SessionForm, list[GivenStepForm]]:
    """Return the form of a finished session and of its steps, filled from `before` where one is corrected."""
    now, zone = site_now(request.user), ZoneInfo(patient.site.time_zone)
    last = record_of(patient, now.date(), site_settings(patient.site, now))
    initial = SessionForm.initial_of(before, zone) if before else {"on": now.date()}
    form = SessionForm(
        **blank(request, now.date(), **initial), zone=zone, follows_hbc=patient.follows_hbs_and_hbc,
        last_weight_kg=last.weight_kg, correcting=before is not None,
    )  # fmt: skip
    return form, step_forms(request, now.date(), before)


def step_forms(request: access.SignedIn, today: date, before: ExchangeSession | None) -> list[GivenStepForm]:
    """Return as many rows as were sent or stored, and the empty ones that are offered."""
    rows = [] if before is None else before.steps.order_by("number").values("fluid", "in_ml", "out_ml", "cells_hb_g_l")
    stored = [row for row in rows if row["in_ml"] or row["out_ml"]]
    sent = sum(1 for number in range(1, MOST_GIVEN_STEPS + 1) if f"s{number}-fluid" in request.POST)
    count = max(STEPS_OFFERED, len(stored), sent + (STEPS_OFFERED if "more" in request.POST else 0))
    data = request.POST if request.method == "POST" else None
    return [
        GivenStepForm(data, today=today, prefix=f"s{n}", initial=stored[n - 1] if n <= len(stored) else {})
        for n in range(1, min(count, MOST_GIVEN_STEPS) + 1)
    ]


def steps_given(forms: list[GivenStepForm]) -> tuple[services.StepGiven, ...]:
    return tuple(form.step() for form in forms if not form.is_empty)


@access.needs("change.exchange_session")
@both_ways
def add_session(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    form, steps = session_form(request, patient, None)

    def save(at: datetime) -> str:
        given = form.given(steps_given(steps))
        services.record_finished_session(patient=patient, given=given, actor=request.user, at=at)
        return records_of(patient)

    lede = "As it is written down on paper. What was not measured stays empty and is reckoned where it can be."
    extra = {"steps": steps, "may_grow": len(steps) < MOST_GIVEN_STEPS}
    page = FormPage("Record a session", lede, "Record this session", records_of(patient), [form], patient, extra=extra)
    return answer(request, page, action="record session", save=save, done="The session is recorded.")


@access.needs("change.exchange_session")
@both_ways
def correct_session(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    before = of_person(ExchangeSession.objects.carried_out(), patient, key)
    form, steps = session_form(request, patient, before)

    def save(at: datetime) -> str:
        services.correct_finished_session(
            exchange_session=before, version=int(form.cleaned_data["version"] or 0),
            given=form.given(steps_given(steps)), why=form.cleaned_data["why"], actor=request.user, at=at,
        )  # fmt: skip
        return records_of(patient)

    def fresh() -> dict[str, Any]:
        return SessionForm.initial_of(ExchangeSession.objects.get(pk=before.pk), ZoneInfo(patient.site.time_zone))

    lede = "What it said before stays in the trail; a result left empty is withdrawn."
    extra = {"steps": steps, "may_grow": len(steps) < MOST_GIVEN_STEPS}
    page = FormPage("Correct a session", lede, "Save", records_of(patient), [form], patient, fresh, extra)
    return answer(request, page, action="correct session", save=save, done="The session is corrected.")


def of_person(rows: Any, patient: Patient, key: int) -> Any:
    """Return the row with this key if it is about this person; else it does not exist."""
    row = rows.filter(patient=patient, pk=key).first()
    if row is None:
        raise Http404("No such record of this person.")
    row.patient = patient
    return row


@access.needs("change.results")
@both_ways
def add_results(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    zone, today = ZoneInfo(patient.site.time_zone), site_now(request.user).date()
    form = SampleForm(**blank(request, today, taken_on=today), zone=zone)

    @transaction.atomic
    def save(at: datetime) -> str:  # the results of one sample go in together
        taken_at, time_known = form.moment()
        for analyte, value in form.values().items():
            patient_services.record_result(
                patient=patient, analyte=analyte, value=value, taken_at=taken_at, time_known=time_known,
                method=form.cleaned_data["method"] if analyte != "718-7" else "", actor=request.user, at=at,
            )  # fmt: skip
        return records_of(patient)

    lede = "The results of one sample. A wrong one is corrected or withdrawn later, never overwritten."
    page = FormPage("Results by hand", lede, "Record these results", records_of(patient), [form], patient)
    return answer(request, page, action="record results", save=save, done="Recorded.")


@access.needs("change.results")
@both_ways
def correct_result(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    result = of_person(LabResult.objects, patient, key)
    form = CorrectResultForm(**blank(request, site_now(request.user).date()), result=result)

    def save(at: datetime) -> str:
        given = form.cleaned_data
        patient_services.correct_result(
            result=result, value=given["value"], why=given["why"], actor=request.user, at=at
        )
        return records_of(patient)

    page = FormPage("Correct a result", result_words(result), "Correct it", records_of(patient), [form], patient)
    return answer(request, page, action="correct result", save=save, done="The result is corrected.")


@access.needs("change.results")
@both_ways
def withdraw_result(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    result = of_person(LabResult.objects, patient, key)
    form = WithdrawForm(**blank(request, site_now(request.user).date()))

    def save(at: datetime) -> str:
        patient_services.withdraw_result(result=result, why=form.cleaned_data["why"], actor=request.user, at=at)
        return records_of(patient)

    page = FormPage("Withdraw a result", result_words(result), "Withdraw it", records_of(patient), [form], patient)
    return answer(request, page, action="withdraw result", save=save, done="The result is withdrawn.")


def result_words(result: LabResult) -> str:
    day = result.taken_on
    return f"{result.get_analyte_display()} {result.value:g} {result.unit}, taken {day.day} {day:%b %Y}."


@access.needs("change.exchange_session")
@both_ways
def add_transfusion(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    form = TransfusionForm(**blank(request, site_now(request.user).date()))

    def save(at: datetime) -> str:
        given = form.cleaned_data
        services.record_other_transfusion(
            patient=patient, on=given["on"], elsewhere=given["where"] == "elsewhere",
            amount_known=not given["amount_unknown"], units=given["units"], volume_ml=given["volume_ml"],
            hb_g=given["hb_g"], note=given["note"], actor=request.user, at=at,
        )  # fmt: skip
        return records_of(patient)

    lede = "A top-up here, or red cells given elsewhere: they move HbS too, and the forecast waits for them."
    page = FormPage("Other transfusion", lede, "Record it", records_of(patient), [form], patient)
    return answer(request, page, action="record transfusion", save=save, done="The transfusion is recorded.")


@access.needs("change.exchange_session")
@both_ways
def withdraw_transfusion(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    given = of_person(OtherTransfusion.objects.filter(withdrawn_reason=""), patient, key)
    form = WithdrawForm(**blank(request, site_now(request.user).date()))

    def save(at: datetime) -> str:
        why = form.cleaned_data["why"]
        services.withdraw_other_transfusion(given=given, why=why, actor=request.user, at=at)
        return records_of(patient)

    lede = f"Red cells of {given.on.day} {given.on:%b %Y}."
    page = FormPage("Withdraw a transfusion", lede, "Withdraw it", records_of(patient), [form], patient)
    return answer(request, page, action="withdraw transfusion", save=save, done="The transfusion is withdrawn.")


@access.needs("change.follow_up")
@both_ways
def follow_up(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    today = site_now(request.user).date()
    form = FollowUpForm(**blank(request, today, on=today))

    @transaction.atomic
    def save(at: datetime) -> str:  # every sign of one call goes in together
        given = form.cleaned_data
        for sign in given["signs"]:
            services.note_haemolysis_sign(
                patient=patient, on=given["on"], sign=sign, note=given["note"], actor=request.user, at=at
            )
        return records_of(patient)

    lede = "Signs that may mean haemolysis: no red cells are suggested until a consultant has decided."
    page = FormPage("Follow-up after red cells", lede, "Note these signs", records_of(patient), [form], patient)
    return answer(request, page, action="note signs", save=save, done="Noted.")
