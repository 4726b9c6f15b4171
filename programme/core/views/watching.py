"""What a machine that watches over this one asks: is the process alive, and can it serve."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from programme.core import access, readiness


@access.open_to_all
@never_cache
@require_safe
def health(request: HttpRequest) -> HttpResponse:
    """The process answers; nothing else is asked."""
    return HttpResponse("ok\n", content_type="text/plain")


@access.open_to_all
@never_cache
@require_safe
def ready(request: HttpRequest) -> HttpResponse:
    """Everything that a page needs answers; which of three does not is all that is said."""
    missing = readiness.missing()
    words = f"not ready: {', '.join(missing)}\n" if missing else "ready\n"
    return HttpResponse(words, status=503 if missing else 200, content_type="text/plain")
