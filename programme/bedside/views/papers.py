"""What must be in date before blood is given: consent, and the sample that units are crossmatched on."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from patients import services
from patients.models import Consent, CrossmatchSample, Patient
from programme.bedside.forms.papers import ConsentForm, CrossmatchForm, GroupFoundForm, TakenBackForm
from programme.core import access
from programme.core.look import site_now
from programme.core.numeric.days import written_day
from programme.core.settings_of_site import site_settings
from programme.supply.services.samples import record_sample
from programme.worklist.forms.sessions import WithdrawForm
from programme.worklist.views.people import PEOPLE, blank, both_ways, records_of
from programme.worklist.views.saving import FormPage, answer
from sessions.models import ExchangeSession, State


def newest_consent(patient: Patient) -> Consent | None:
    """The consent in force that reaches furthest."""
    rows = Consent.objects.filter(patient=patient, withdrawn_on__isnull=True, withdrawn_reason="")
    return rows.order_by("-valid_until", "-pk").first()


def newest_sample(patient: Patient) -> CrossmatchSample | None:
    return CrossmatchSample.objects.filter(patient=patient, withdrawn_reason="").order_by("-taken_at", "-pk").first()


def day_or_records(patient: Patient, today: date) -> str:
    """Where a paper leads back to: the units or the start of today's session, for which it is most often recorded."""
    now = ExchangeSession.objects.filter(patient=patient, on=today, state__in=(State.AUTHORISED, State.RUNNING)).first()
    if now is None:
        return records_of(patient)
    page = "bedside:units" if now.state == State.RUNNING else "bedside:start"
    return reverse(page, args=[patient.patient_ref, now.pk])


@access.needs("change.consent")
@both_ways
def consent(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    holds = timedelta(days=site_settings(patient.site, now)["consent_valid_days"])
    there = day_or_records(patient, now.date())
    form = ConsentForm(**blank(request, now.date(), given_on=now.date(), valid_until=now.date() + holds))

    def save(at: datetime) -> str:
        given = form.cleaned_data
        names = ("given_on", "valid_until", "given_by", "note")
        services.record_consent(patient=patient, actor=request.user, at=at, **{name: given[name] for name in names})
        return there

    last = newest_consent(patient)
    lede = "No consent is recorded." if last is None else f"The last is in date until {written_day(last.valid_until)}."
    page = FormPage("Consent", lede, "Record consent", there, [form], patient, at_chair=True)
    if last is not None:
        taken_back = reverse("bedside:consent_taken_back", args=[patient_ref])
        page.extra = {"other": ("Record that it was taken back", taken_back)}
    return answer(request, page, action="record consent", save=save, done="Consent is recorded.")


@access.needs("change.consent")
@both_ways
def consent_taken_back(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    last, today = newest_consent(patient), site_now(request.user).date()
    if last is None:
        messages.error(request, "No consent is recorded that could be taken back.")
        return redirect(records_of(patient))
    form = TakenBackForm(**blank(request, today, on=today))

    def save(at: datetime) -> str:
        given = form.cleaned_data
        services.withdraw_consent(consent=last, on=given["on"], why=given["why"], actor=request.user, at=at)
        return records_of(patient)

    lede = f"Given {written_day(last.given_on)} by {last.given_by}, in date until {written_day(last.valid_until)}."
    page = FormPage("Consent taken back", lede, "Record it", records_of(patient), [form], patient, at_chair=True)
    return answer(request, page, action=f"withdraw consent {last.pk}", save=save, done="It is recorded.")


@access.needs("change.crossmatch_sample")
@both_ways
def crossmatch_sample(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    there = day_or_records(patient, now.date())
    form = CrossmatchForm(
        **blank(request, now.date(), taken_on=now.date(), taken_at=f"{now:%H:%M}"),
        zone=ZoneInfo(patient.site.time_zone),
    )

    def save(at: datetime) -> str:
        given = {name: form.cleaned_data[name] for name in ("note", "why_after")}
        record_sample(patient=patient, taken_at=form.moment(), actor=request.user, at=at, **given)
        return there

    hours = site_settings(patient.site, now)["sample_valid_hours"]
    lede = f"A sample holds {hours:g} h here, up to the start of the last unit crossmatched on it."
    page = FormPage("Crossmatch sample", lede, "Record the sample", there, [form], patient, at_chair=True)
    if newest_sample(patient) is not None:
        page.extra = {"other": ("Withdraw the last one", reverse("bedside:sample_withdrawn", args=[patient_ref]))}
    return answer(request, page, action="record sample", save=save, done="The sample is recorded.")


@access.needs("change.needs")
@both_ways
def group_found(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    sample = get_object_or_404(CrossmatchSample, pk=key, patient=patient, withdrawn_reason="")
    now = site_now(request.user)
    form = GroupFoundForm(**blank(request, now.date()))

    def save(at: datetime) -> str:
        given = {name: form.cleaned_data[name] or "" for name in ("abo", "rhd", "why")}
        services.record_group_found(sample=sample, actor=request.user, at=at, **given)
        return records_of(patient)

    taken = sample.taken_at.astimezone(now.tzinfo)
    lede = (
        f"Taken {written_day(taken.date())}, {taken:%H:%M}. A group counts as confirmed once two samples, taken "
        "independently, found the same."
    )
    page = FormPage(
        "Group found on a sample", lede, "Record the group", records_of(patient), [form], patient, at_chair=True
    )
    return answer(request, page, action=f"group of sample {key}", save=save, done="The group found is recorded.")


@access.needs("change.crossmatch_sample")
@both_ways
def sample_withdrawn(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    last, now = newest_sample(patient), site_now(request.user)
    if last is None:
        messages.error(request, "No crossmatch sample is recorded that could be withdrawn.")
        return redirect(records_of(patient))
    form = WithdrawForm(**blank(request, now.date()))

    def save(at: datetime) -> str:
        services.withdraw_sample(sample=last, why=form.cleaned_data["why"], actor=request.user, at=at)
        return records_of(patient)

    taken = last.taken_at.astimezone(now.tzinfo)
    lede = f"Taken {written_day(taken.date())}, {taken:%H:%M}. No unit may be started on it any more."
    page = FormPage("Withdraw a sample", lede, "Withdraw it", records_of(patient), [form], patient, at_chair=True)
    return answer(request, page, action=f"withdraw sample {last.pk}", save=save, done="The sample is withdrawn.")
