"""The trail: who saw and changed what, of one person or at the whole unit, on the page and as a file."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from patients.models import Patient
from programme.core import access, reading
from programme.core.look import site_now
from programme.worklist.forms.trail import TrailForm
from programme.worklist.queries.trail import trail_page, who_can_be_asked
from programme.worklist.tables import trail_csv
from programme.worklist.views.people import PEOPLE

IN_A_FILE = 100_000


@access.needs("see.trail")
@require_safe
def whole(request: access.SignedIn) -> HttpResponse:
    """Everything of the unit; that it was looked at is an entry of it."""
    _note(request, "trail")
    return _page(request, None)


@access.needs("see.trail")
@require_safe
def of_person(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    return _page(request, access.open_patient(request, PEOPLE.all(), patient_ref))


@access.needs("see.trail")
@require_safe
def whole_csv(request: access.SignedIn) -> HttpResponse:
    _note(request, "trail, as a file")
    return _file(request, None)


@access.needs("see.trail")
@require_safe
def person_csv(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    return _file(request, access.open_patient(request, PEOPLE.all(), patient_ref))


def _note(request: access.SignedIn, page: str) -> None:
    key = request.user.site_id
    reading.note(user=request.user, site_key=key, patient_key=None, page=page, at=timezone.now())


def _form(request: access.SignedIn) -> TrailForm:
    today = site_now(request.user).date()
    return TrailForm(request.GET, users=who_can_be_asked(request.user.site), today=today)


def _page(request: access.SignedIn, patient: Patient | None) -> HttpResponse:
    form = _form(request)
    asked = form.asked(request.GET.get("below", ""))
    page = trail_page(request.user.site, asked, patient=patient)
    query = request.GET.copy()
    query.pop("below", None)
    nav = "list" if patient else "settings"  # where each of the two is reached from
    shown = {"page": page, "form": form, "patient": patient, "asked": asked, "query": query.urlencode(), "nav": nav}
    return render(request, "worklist/trail.html", shown)


def _file(request: access.SignedIn, patient: Patient | None) -> HttpResponse:
    page = trail_page(request.user.site, _form(request).asked(), patient=patient, most=IN_A_FILE)
    answer = HttpResponse(trail_csv(page), content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = f'attachment; filename="trail-{site_now(request.user):%Y%m%d}.csv"'
    return answer
