"""How good the forecasts are here: the stored comparison of model forms on this unit's own past."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from programme.core import access
from programme.review import queries


@access.needs("see.review")
@require_safe
def how_good(request: access.SignedIn) -> HttpResponse:
    found = queries.how_good(request.user.site)
    return render(request, "review/how_good.html", {"nav": "review", "found": found})
