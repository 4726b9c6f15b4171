"""The pages for what went wrong."""

from __future__ import annotations

import sys

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string

from programme.core import access
from programme.core.outages import outage_of


@access.open_to_all
def not_allowed(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "403.html", status=403)


@access.open_to_all
def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "404.html", status=404)


@access.open_to_all
def went_wrong(request: HttpRequest) -> HttpResponse:
    """503 where the machine stood in the way, 500 otherwise; made without the database, which may be what is away."""
    outage = outage_of(sys.exc_info()[1])
    return HttpResponse(render_to_string("500.html", {"outage": outage}), status=503 if outage else 500)


@access.open_to_all
def form_expired(request: HttpRequest, reason: str = "") -> HttpResponse:
    return render(request, "403_csrf.html", status=403)
