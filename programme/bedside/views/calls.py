"""What came of a contact that fell due after a session."""

from __future__ import annotations

from datetime import datetime

from django.http import Http404, HttpResponse
from django.urls import reverse

from patients.models import Patient
from programme.bedside.forms.ending import NOT_REACHED, CallForm
from programme.core import access
from programme.core.look import site_now
from programme.core.numeric.days import written_day
from programme.core.settings_of_site import site_texts
from programme.worklist.numeric.words import capital
from programme.worklist.views.people import PEOPLE, blank, both_ways
from programme.worklist.views.saving import FormPage, answer
from sessions.day.models import FollowUp
from sessions.day.services import following


@access.needs("change.follow_up")
@both_ways
def call(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    due, now = contact_of(patient, key), site_now(request.user)
    form = CallForm(**blank(request, now.date(), version=due.version), ask_signs=due.kind != FollowUp.Kind.RECHECK)

    def save(at: datetime) -> str:
        save_call(request, due, form, at)
        return reverse("worklist:course", args=[patient.patient_ref])

    ask = f"Ask for: {due.words}." if due.words else ""
    lede = f"Due {written_day(due.due_on)}, after the session of {written_day(due.exchange_session.on)}. {ask}"
    page = FormPage(capital(due.get_kind_display()), lede, "Record it", reverse("worklist:list"), [form], patient)
    page.extra = {"found": site_texts(patient.site, now)["leaflet"]}
    return answer(request, page, action=f"contact {due.pk}", save=save, done="Recorded.")


def contact_of(patient: Patient, key: int) -> FollowUp:
    due = FollowUp.objects.filter(pk=key, patient=patient).select_related("exchange_session").first()
    if due is None:
        raise Http404("This person has no such contact.")
    due.patient = patient
    return due


def save_call(request: access.SignedIn, due: FollowUp, form: CallForm, at: datetime) -> None:
    given = form.cleaned_data
    version = int(given["version"] or 0)
    if given["reached"] == NOT_REACHED:
        following.try_again(
            follow_up=due, version=version, due_on=given["again_on"], tried=given["outcome"], actor=request.user, at=at
        )
        return
    following.end_follow_up(
        follow_up=due, version=version, outcome=given["outcome"], signs=given.get("signs") or (),
        signs_on=given.get("signs_on"), actor=request.user, at=at,
    )  # fmt: skip
