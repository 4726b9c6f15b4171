"""Figures for a machine that watches over this one, to whoever holds the token."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.crypto import constant_time_compare
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from prometheus_client import CONTENT_TYPE_LATEST

from programme.core import access
from programme.core.counted import as_text
from programme.worklist.queries.standing import standing


@access.open_to_all
@never_cache
@require_safe
def metrics(request: HttpRequest) -> HttpResponse:
    given = request.headers.get("Authorization", "")
    if not settings.METRICS_TOKEN or not constant_time_compare(given, f"Bearer {settings.METRICS_TOKEN}"):
        return HttpResponse("A token is needed.\n", status=401, content_type="text/plain")
    return HttpResponse(as_text(standing(timezone.now())), content_type=CONTENT_TYPE_LATEST)
