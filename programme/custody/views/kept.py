"""Whose record is past the time for which the unit keeps it."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from programme.core import access, reading
from programme.core.look import site_now
from programme.custody.queries.kept import kept_page


@access.needs("see.kept_records")
@require_safe
def kept(request: access.SignedIn) -> HttpResponse:
    user, now = request.user, site_now(request.user)
    reading.note(user=user, site_key=user.site_id, patient_key=None, page="records past their time", at=now)
    return render(request, "custody/kept.html", {"page": kept_page(user.site, now), "nav": "settings"})
