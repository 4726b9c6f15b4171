"""Try one session: arithmetic that belongs to no one and saves nothing, so everything stands in the address."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from patients.models import Patient
from programme.core import access
from programme.core.look import site_now
from programme.worklist.forms.try_page import try_page


@access.needs("see.try")
@require_safe
def try_one(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    patient, unknown = None, ""
    if ref := request.GET.get("ref", "").strip()[:40]:
        patient = Patient.objects.of_site(request.user.site).filter(patient_ref=ref).first()
        unknown = "" if patient else ref
    page = try_page(request.GET, user=request.user, on=now.date(), at=now, patient=patient)
    context = {"page": page, "unknown": unknown, "nav": "try"}
    if request.headers.get("HX-Request") and not unknown:
        return _part(request, context)
    return render(request, "worklist/try.html", context, status=404 if unknown else 200)


def _part(request: access.SignedIn, context: dict[str, Any]) -> HttpResponse:
    """Answer typing with what is reckoned, so that no field changes under the hand; a button with the whole form."""
    if "do" in request.GET:
        part = render(request, "worklist/_try_form.html", context)
        part.headers["HX-Retarget"], part.headers["HX-Reswap"] = "#try-form", "outerHTML"
    else:
        part = render(request, "worklist/_try_reckoned.html", context)
    part.headers["HX-Replace-Url"] = f"{request.path}?{context['page'].query}"
    return part
