"""The plan of one person's next session: read only, and on paper."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from patients.models import Patient
from programme.core import access
from programme.core.look import site_now
from programme.core.receipts import new_key
from programme.worklist.pdf import plan_pdf
from programme.worklist.queries.plan import plan_page

PEOPLE = Patient.objects.select_related("site")


@access.needs("see.plan")
@require_safe
def plan(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    page = plan_page(patient, on=now.date(), at=now, method=request.GET.get("method", ""))
    return render(request, "worklist/plan.html", {"page": page, "nav": "list", "receipt": new_key()})


@access.needs("see.plan")
@require_safe
def plan_on_paper(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, PEOPLE.all(), patient_ref)
    now = site_now(request.user)
    page = plan_page(patient, on=now.date(), at=now, method=request.GET.get("method", ""))
    if page.sheet is None:
        raise Http404("There is no plan to print.")
    paper = plan_pdf(page, unit=request.user.site.name, printed_by=request.user.full_name, printed_at=now)
    name = f"plan-{page.as_of:%Y%m%d}.pdf"
    return HttpResponse(
        paper, content_type="application/pdf", headers={"Content-Disposition": f'inline; filename="{name}"'}
    )
