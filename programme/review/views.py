"""The review of the programme and who stands behind its figures, and how good the forecasts are here."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from programme.core import access
from programme.core.look import site_now
from programme.review import charts
from programme.review.forms import SpanForm
from programme.review.pdf import review_pdf
from programme.review.queries import how_good as forecasts
from programme.review.queries.definitions import BY_KEY
from programme.review.queries.programme import Review, people_behind, review
from programme.review.tables import masked, people_words, review_csv


@access.needs("see.review")
@require_safe
def programme(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    form = SpanForm(request.GET, today=now.date())
    start, end, genotype = form.span()
    found = review(request.user.site, start, end, now, genotype=genotype)
    rows = [(row, charts.draw(row)) for row in found.rows]
    context = {"nav": "review", "review": found, "rows": rows, "form": form, "held": found.row("under_sessions")}
    context["forecasts"] = forecasts.how_good(request.user.site)
    return render(request, "review/programme.html", context, status=200 if form.is_valid() else 400)


@access.needs("see.review")
@require_safe
def people(request: access.SignedIn, measure: str) -> HttpResponse:
    if measure not in BY_KEY:
        raise Http404("No such measure.")
    now = site_now(request.user)
    start, end, genotype = SpanForm(request.GET, today=now.date()).span()
    behind = people_behind(request.user.site, measure, start, end, now, genotype=genotype)
    context = {
        "nav": "review",
        "one": BY_KEY[measure],
        "behind": behind,
        "start": start,
        "end": end,
        "genotype": genotype,
    }
    return render(request, "review/people.html", context)


@access.needs("see.review")
@require_safe
def as_csv(request: access.SignedIn) -> HttpResponse:
    found = _asked(request)
    return _file(review_csv(found).encode(), "text/csv; charset=utf-8", f"review-{found.end:%Y%m%d}.csv", "attachment")


@access.needs("see.review")
@require_safe
def as_pdf(request: access.SignedIn) -> HttpResponse:
    found = _asked(request)
    now = site_now(request.user)
    content = review_pdf(found, rows=masked(found), people=people_words(found), printed_at=now)
    return _file(content, "application/pdf", f"review-{found.end:%Y%m%d}.pdf", "inline")


@access.needs("see.review")
@require_safe
def how_good(request: access.SignedIn) -> HttpResponse:
    found = forecasts.how_good(request.user.site)
    return render(request, "review/how_good.html", {"nav": "review", "found": found})


def _asked(request: access.SignedIn) -> Review:
    now = site_now(request.user)
    start, end, genotype = SpanForm(request.GET, today=now.date()).span()
    return review(request.user.site, start, end, now, genotype=genotype)


def _file(content: bytes, kind: str, name: str, how: str) -> HttpResponse:
    return HttpResponse(content, content_type=kind, headers={"Content-Disposition": f'{how}; filename="{name}"'})
