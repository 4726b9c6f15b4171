"""The consultant's ten minutes: a decision with its effect shown first, notes, checks, two spans, and papers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from patients import clinic, services
from patients.goals import set_goals
from patients.models import CheckDone, CourseNote, Goals, Patient
from programme.core import access
from programme.core.look import site_now
from programme.core.settings_of_site import site_settings
from programme.worklist.charts.full import draw_full, lettered
from programme.worklist.forms.clinic import MEASURED, CheckForm, DecisionForm, NoteForm, SpansForm
from programme.worklist.forms.people import GoalsForm
from programme.worklist.forms.sessions import WithdrawForm
from programme.worklist.pdf import own_summary_pdf, summary_pdf
from programme.worklist.queries.compare import compare_page, usual_spans
from programme.worklist.queries.decide import Effect, answers_of, effect_of
from programme.worklist.queries.records import goals_in_force, record_of
from programme.worklist.queries.summary import SummaryPage, read_summary
from programme.worklist.views.people import PEOPLE, blank, both_ways, records_of
from programme.worklist.views.saving import FormPage, answer

MONTHS_PRINTED = 12
TAKEN_FROM_A_CHOICE = ("usual_interval_days", "end_target_hbs_pct")


def course_of(patient: Patient) -> str:
    return reverse("worklist:course", args=[patient.patient_ref])


@access.needs("change.goals")
@both_ways
def decide(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    """The few goals that a clinic changes."""
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    today, settings = today_here(request, patient)
    goals = goals_in_force(patient, today, settings)
    form = DecisionForm(
        **blank(request, today, **DecisionForm.initial_of(goals) | taken_from_a_choice(request)), goals=goals
    )

    def fresh() -> dict[str, Any]:
        return DecisionForm.initial_of(goals_in_force(patient, today, settings))

    return decided(request, patient, goals, form, settings, title="Decide", back=course_of(patient), fresh=fresh)


@access.needs("change.goals")
@both_ways
def change_goals(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    """All goals of a person, from a day on."""
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    today, settings = today_here(request, patient)
    goals = goals_in_force(patient, today, settings)
    form = GoalsForm(**blank(request, today, **GoalsForm.initial_of(goals, today) | taken_from_a_choice(request)))

    def fresh() -> dict[str, Any]:
        return GoalsForm.initial_of(goals_in_force(patient, today, settings), today)

    return decided(request, patient, goals, form, settings, title="Goals", back=records_of(patient), fresh=fresh)


def today_here(request: access.SignedIn, patient: Patient) -> tuple[date, dict[str, float]]:
    """Return the day at the unit, and its settings then."""
    now = site_now(request.user)
    return now.date(), site_settings(patient.site, now)


def taken_from_a_choice(request: access.SignedIn) -> dict[str, str]:
    """A choice taken on the course comes in the address; it is only filled in, and counts once the form is sent."""
    return {name: request.GET[name][:24] for name in TAKEN_FROM_A_CHOICE if name in request.GET}


def decided(
    request: access.SignedIn, patient: Patient, goals: Goals, form: DecisionForm | GoalsForm,
    settings: dict[str, float], *, title: str, back: str, fresh: Callable[[], dict[str, Any]],
) -> HttpResponse:  # fmt: skip
    """Answer a page of goals: what they would do is shown first, and saved is what it was shown for."""
    lede = f"Decided by {request.user.full_name}. Before it is saved the page says what it would do."
    page, effect = FormPage(title, lede, "See what it would do", back, [form], patient, fresh), None
    if form.is_bound and form.is_valid():
        weight_kg = record_of(patient, form.today, settings).weight_kg
        effect = effect_of(patient, goals, form.figures(), as_of=form.today, weight_kg=weight_kg)
        page.extra, page.submit = {"effect": effect}, "Save the decision"
    if effect is None or request.POST.get("seen") != effect.token:
        return render(request, page.template, {"page": page, "nav": "list"})

    def save(at: datetime) -> str:
        save_decision(request, patient, goals, form, effect, at)
        return back

    return answer(request, page, action="decide", save=save, done="Decided. What was suggested before is made again.")


def save_decision(
    request: access.SignedIn,
    patient: Patient,
    goals: Goals,
    form: DecisionForm | GoalsForm,
    effect: Effect,
    at: datetime,
) -> None:
    figures = form.figures()
    set_goals(
        patient=patient, since=form.cleaned_data.get("since") or form.today, figures=figures,
        reason=form.cleaned_data["reason"], actor=request.user, at=at, answers=answers_of(patient, goals, figures),
        foreseen=effect.foreseen, data_version=patient.data_version,
    )  # fmt: skip


@access.needs("change.notes")
@both_ways
def add_note(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    today = site_now(request.user).date()
    form = NoteForm(**blank(request, today, on=today))

    def save(at: datetime) -> str:
        given = {name: form.cleaned_data[name] for name in ("on", "words")}
        clinic.add_note(patient=patient, actor=request.user, at=at, **given)
        return course_of(patient)

    lede = "It stands on the course with your name and role. A wrong one is withdrawn with a reason."
    page = FormPage("Note on the course", lede, "Note it", course_of(patient), [form], patient)
    return answer(request, page, action="note on the course", save=save, done="Noted.")


@access.needs("change.checks")
@both_ways
def record_check(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    today = site_now(request.user).date()
    form = CheckForm(**blank(request, today, on=today, check_name=request.GET.get("check", "")[:20]))

    def save(at: datetime) -> str:
        save_check(request, patient, form, at)
        return course_of(patient) + "#checks"

    lede = "Ferritin and liver iron are kept as results; other checks as done, by you, with what came of them."
    page = FormPage("Check done", lede, "Record", course_of(patient), [form], patient)
    return answer(request, page, action="record check", save=save, done="Recorded.")


def save_check(request: access.SignedIn, patient: Patient, form: CheckForm, at: datetime) -> None:
    given = form.cleaned_data
    if given["check_name"] in MEASURED:
        taken_at = datetime.combine(given["on"], time(12), tzinfo=ZoneInfo(patient.site.time_zone))
        services.record_result(
            patient=patient, analyte=MEASURED[given["check_name"]][0], value=given["value"],
            taken_at=min(taken_at, at), time_known=False, method=given["words"][:60], actor=request.user, at=at,
        )  # fmt: skip
        return
    clinic.record_check(
        patient=patient, check_name=given["check_name"], on=given["on"], words=given["words"], actor=request.user, at=at
    )


@access.needs("change.notes")
@both_ways
def withdraw_note(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    return withdraw(request, patient_ref, key, CourseNote, clinic.withdraw_note, "Withdraw a note")


@access.needs("change.checks")
@both_ways
def withdraw_check(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    return withdraw(request, patient_ref, key, CheckDone, clinic.withdraw_check, "Withdraw a check")


def withdraw(request: access.SignedIn, patient_ref: str, key: int, kind: Any, service: Any, title: str) -> HttpResponse:
    """Answer the page on which a row of one kind is withdrawn with a reason."""
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    row = kind.objects.filter(patient=patient, pk=key).first()
    if row is None:
        raise Http404("Nothing of this person has this number.")
    form = WithdrawForm(**blank(request, site_now(request.user).date()))

    def save(at: datetime) -> str:
        service(patient=patient, key=key, reason=form.cleaned_data["why"], actor=request.user, at=at)
        return course_of(patient)

    lede = f"Of {row.on:%-d %b %Y}: {row.words or 'no words'}. It stays to be read, struck through, with your reason."
    page = FormPage(title, lede, "Withdraw it", course_of(patient), [form], patient)
    return answer(request, page, action=title.lower(), save=save, done="Withdrawn.")


@access.needs("see.course")
@require_safe
def compare(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    usual = usual_spans(now.date())
    names = ("first_from", "first_to", "second_from", "second_to")
    initial = dict(zip(names, (day for span in usual for day in span), strict=True))
    form = SpansForm(request.GET if any(name in request.GET for name in names) else None, today=now.date(),
                     initial=initial)  # fmt: skip
    spans = form.spans() if form.is_bound and form.is_valid() else usual
    page = compare_page(patient, *spans, now)
    return render(request, "worklist/compare.html", {"page": page, "form": form, "nav": "list"})


@access.needs("see.course")
@require_safe
def summary(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    return paper(request, patient_ref, summary_pdf, "summary")


@access.needs("see.course")
@require_safe
def own_summary(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    return paper(request, patient_ref, own_summary_pdf, "own-summary")


def paper(request: access.SignedIn, patient_ref: str, make: Any, name: str) -> HttpResponse:
    """Answer with one of the papers of a course, made now."""
    patient = access.open_patient(request, PEOPLE.select_related("forecast"), patient_ref)
    now = site_now(request.user)
    page: SummaryPage = read_summary(patient, now)
    pdf = make(
        page, draw_full(page.course.course, page.course.details, months=MONTHS_PRINTED), lettered(page.course.details),
        unit=patient.site.name, reader=request.GET.get("for", "notes"), printed_by=request.user.full_name,
        printed_at=now,
    )  # fmt: skip
    kept = {"Content-Disposition": f'inline; filename="{name}-{now:%Y%m%d}.pdf"'}
    return HttpResponse(pdf, content_type="application/pdf", headers=kept)
