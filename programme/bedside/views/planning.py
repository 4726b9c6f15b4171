"""The plan of a session: on screen, typed over, made again, signed, cancelled, and on paper."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from patients.models import Patient
from programme.bedside import services
from programme.bedside.forms.planning import PlanTyped
from programme.bedside.pdf import day_plan_pdf, empty_record_pdf
from programme.bedside.queries.day_plan import DayPlanPage, day_plan
from programme.bedside.queries.drafting import draft_from_typed
from programme.bedside.queries.known import Known, known_for
from programme.bedside.views.opening import open_session
from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.models import EditedMeanwhile
from sessions.day.models import Prescription
from sessions.day.numeric.draft import PlanDraft
from sessions.day.services import prescribing
from sessions.models import NOT_BEGUN, ExchangeSession, Method

AGAIN, KEEP = "again", "keep"
REFUSALS = (ValidationError, EditedMeanwhile, receipts.BadReceipt)


def address_of(exchange_session: ExchangeSession) -> str:
    return reverse("bedside:plan", args=[exchange_session.patient.patient_ref, exchange_session.pk])


def words_of(error: Exception) -> list[str]:
    return list(error.messages) if isinstance(error, ValidationError) else [str(error)]


@access.needs("change.plan")
@require_POST
def new(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, Patient.objects.select_related("site"), patient_ref)
    try:
        on = date.fromisoformat(request.POST.get("on", ""))
        method = Method(request.POST.get("method", Method.NOT_SAID))
        there = _new(request, patient, on, method)
    except REFUSALS as error:
        for words in words_of(error):
            messages.error(request, f"Nothing was planned. {words}")
    except ValueError:
        messages.error(request, "Nothing was planned: choose the day on the plan page.")
    else:
        return redirect(there)
    return redirect("worklist:plan", patient_ref)


def _new(request: access.SignedIn, patient: Patient, on: date, method: str) -> str:
    now = site_now(request.user)

    def do() -> str:
        made = services.plan_for_day(patient=patient, on=on, method=method, actor=request.user, at=now)
        return address_of(made.exchange_session)

    key = request.POST.get("receipt", "")
    return receipts.once(key=key, actor=request.user, at=now, action="plan session", do=do)


@access.needs("see.plan")
@require_safe
def plan(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    known = known_for(exchange_session, at=site_now(request.user))
    page = day_plan(exchange_session, known)
    return _shown(request, page, PlanTyped.of(known, exchange_session, page.plan, None))


def _shown(request: access.SignedIn, page: DayPlanPage, form: PlanTyped, **more: Any) -> HttpResponse:
    context = {"page": page, "form": form, "nav": "list", "receipt": receipts.new_key(), **more}
    return render(request, more.get("template", "bedside/day_plan.html"), context)


@access.needs("change.plan")
@require_POST
def typed(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    """Work out what was typed, or keep it; typing itself saves nothing."""
    exchange_session = open_session(request, patient_ref, key)
    if exchange_session.state not in NOT_BEGUN:
        messages.error(request, f"This session is {exchange_session.state}: its plan is not changed here.")
        return redirect(address_of(exchange_session))
    known = known_for(exchange_session, at=site_now(request.user))
    base = Prescription.objects.filter(exchange_session=exchange_session).order_by("-number").first()
    form = PlanTyped.of(known, exchange_session, base, request.POST)
    refused: list[str] = []
    if request.POST.get("do") in (AGAIN, KEEP) and form.is_valid():
        try:
            return _kept(request, exchange_session, base, form)
        except REFUSALS as error:
            refused = words_of(error)
    draft, problem = _worked_out(known, base, form)
    page = day_plan(exchange_session, known, typed=draft, problem=problem)
    return _answered(request, page, form, refused)


def _answered(request: access.SignedIn, page: DayPlanPage, form: PlanTyped, refused: list[str]) -> HttpResponse:
    """Answer typing with what is reckoned, so that no field changes under the hand; a button with the whole form."""
    if not request.headers.get("HX-Request"):
        return _shown(request, page, form, refused=refused)
    if "do" not in request.POST:
        return _shown(request, page, form, template="bedside/_day_reckoned.html")
    part = _shown(request, page, form, refused=refused, template="bedside/_day_form_and_all.html")
    part.headers["HX-Retarget"], part.headers["HX-Reswap"] = "#day-form", "outerHTML"
    return part


def _worked_out(known: Known, base: Prescription | None, form: PlanTyped) -> tuple[PlanDraft | None, str]:
    if base is None:
        return None, "There is no plan to change."
    if not form.is_valid():
        return None, " ".join(form.faults) or "Something typed cannot be read."
    try:
        return draft_from_typed(known, base, form.typed()), ""
    except ValueError as error:
        return None, f"This session cannot be carried out: {error}."


def _kept(
    request: access.SignedIn, exchange_session: ExchangeSession, base: Prescription | None, form: PlanTyped
) -> HttpResponse:
    """Record today's figures, then make the next plan from them: in two steps, so that no figure is lost to a plan."""
    now, given = timezone.now(), form.figures.cleaned_data
    figures, key, why = form.figures.figures(now.astimezone(form.known.at.tzinfo)), given["receipt"], given["why"]
    version = int(given["version"] or 0)

    def record() -> str:
        services.record_today(
            exchange_session=exchange_session, version=version, figures=figures, why=why, actor=request.user, at=now
        )
        return address_of(exchange_session)

    once(request, key, now, "figures of the day", record)
    once(request, f"{key}+", now, "make plan", _next(request, exchange_session, base, form, now))
    messages.success(request, " ".join(["The next plan is made.", *(f"{w}." for w in form.figures.readings)]))
    return _there(request, address_of(exchange_session))


def _next(
    request: access.SignedIn,
    exchange_session: ExchangeSession,
    base: Prescription | None,
    form: PlanTyped,
    now: datetime,
) -> Callable[[], str]:
    given = form.figures.cleaned_data

    def do() -> str:
        if request.POST.get("do") == KEEP and base is not None:
            services.keep_typed(
                exchange_session=exchange_session, base=base, typed=form.typed(), why=given["why"], actor=request.user,
                at=now,
            )  # fmt: skip
        else:
            services.plan_again(
                exchange_session=exchange_session, method=given["method"], dehydrated=given["dehydrated"],
                saline_first=bool(given.get("saline_first")), why=given["why"], actor=request.user, at=now,
            )  # fmt: skip
        return address_of(exchange_session)

    return do


def once(request: access.SignedIn, key: str, now: datetime, action: str, do: Callable[[], str]) -> str:
    return receipts.once(key=key, actor=request.user, at=now, action=action, do=do)


def _there(request: access.SignedIn, address: str) -> HttpResponse:
    """Go on to a page; a part of a page asks the browser to."""
    if not request.headers.get("HX-Request"):
        return redirect(address)
    answer = HttpResponse(status=204)
    answer.headers["HX-Redirect"] = address
    return answer


@access.needs("move.authorise")
@require_POST
def authorise(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    sent = request.POST
    reasons = {name.removeprefix("reason-"): str(text) for name, text in sent.items() if name.startswith("reason-")}

    def do(now: datetime) -> None:
        prescribing.authorise(
            exchange_session=exchange_session, version=_whole(sent.get("version")), number=_whole(sent.get("number")),
            reasons=reasons, actor=request.user, at=now,
        )  # fmt: skip

    done = f"Plan {_whole(sent.get('number'))} is signed. It is frozen, and lapses when an input is corrected."
    return _moved(request, exchange_session, "authorise session", do, done, typed_reasons=reasons)


@access.needs("move.cancel")
@require_POST
def cancel(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)

    def do(now: datetime) -> None:
        prescribing.cancel(
            exchange_session=exchange_session, version=_whole(request.POST.get("version")),
            reason=request.POST.get("reason", "")[:400], actor=request.user, at=now,
        )  # fmt: skip

    return _moved(request, exchange_session, "cancel session", do, "The session is cancelled; the reason is kept.")


def _moved(
    request: access.SignedIn, exchange_session: ExchangeSession, action: str, do: Callable[[datetime], None],
    done: str, typed_reasons: dict[str, str] | None = None,
) -> HttpResponse:  # fmt: skip
    """Make a move once for this form; what refuses it is said on the page, with the reasons as typed."""
    now = timezone.now()
    there = address_of(exchange_session)

    def moved() -> str:
        do(now)
        return there

    try:
        once(request, request.POST.get("receipt", ""), now, action, moved)
    except REFUSALS as error:
        known = known_for(exchange_session, at=site_now(request.user))
        page = day_plan(ExchangeSession.objects.select_related("patient__site").get(pk=exchange_session.pk), known)
        form = PlanTyped.of(known, exchange_session, page.plan, None)
        return _shown(request, page, form, refused_move=words_of(error), reasons=typed_reasons or {})
    messages.success(request, done)
    return redirect(there)


def _whole(text: str | None) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 10 else 0


@access.needs("see.plan")
@require_safe
def sheet(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    return _paper(request, patient_ref, key, day_plan_pdf, "plan")


@access.needs("see.plan")
@require_safe
def empty_sheet(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    return _paper(request, patient_ref, key, empty_record_pdf, "record-to-fill-in")


def _paper(request: access.SignedIn, patient_ref: str, key: int, make: Callable[..., bytes], name: str) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    now = site_now(request.user)
    page = day_plan(exchange_session, known_for(exchange_session, at=now))
    if page.sheet is None:
        raise Http404("There is no plan to print.")
    paper = make(page, unit=request.user.site.name, printed_by=request.user.full_name, printed_at=now)
    file_name = f'inline; filename="{name}-{exchange_session.on:%Y%m%d}.pdf"'
    return HttpResponse(paper, content_type="application/pdf", headers={"Content-Disposition": file_name})
