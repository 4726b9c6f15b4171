"""Giving away all that is stored of a person."""

from __future__ import annotations

import io
import zipfile

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from programme.core import access
from programme.core.look import site_now
from programme.custody.forms import ExportForm
from programme.custody.pdf import person_pdf
from programme.custody.services.exporting import Export, export_person
from programme.worklist.views.people import PEOPLE, blank, records_of
from programme.worklist.views.saving import FormPage

LEDE = (
    "Everything stored of this person, in one packed file: a FHIR R4 bundle for another programme, and a paper to "
    "read. It is a whole medical record and is not locked: hand it over as local policy says, and keep no copy here."
)


@access.needs("change.export")
@require_http_methods(["GET", "POST"])
def export(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient, now, user = access.open_patient(request, PEOPLE.all(), patient_ref), site_now(request.user), request.user
    form = ExportForm(**blank(request, now.date()))
    if request.method == "POST" and form.is_valid():
        given = export_person(
            patient=patient, why=form.cleaned_data["why"], actor=user, at=now,
            to_paper=lambda stored: person_pdf(stored, made_by=user.full_name, made_at=now),
        )  # fmt: skip
        return _packed(given)
    page = FormPage("Export this person", LEDE, "Make the file", records_of(patient), [form], patient)
    return render(request, page.template, {"page": page, "nav": "list"}, status=422 if form.errors else 200)


def _packed(given: Export) -> HttpResponse:
    """Return both files in one archive: one download is one hand-over."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in given.files:
            archive.writestr(name, content)
    answer = HttpResponse(packed.getvalue(), content_type="application/zip")
    answer.headers["Content-Disposition"] = f'attachment; filename="{given.name}.zip"'
    return answer
