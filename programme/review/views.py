"""The review of the programme and who stands behind its figures, and how good the forecasts are here."""

from __future__ import annotations

from urllib.parse import urlencode

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from programme.core import access
from programme.core.look import site_now
from programme.core.settings_of_site import site_settings
from programme.planning.watch import newest
from programme.review import charts
from programme.review.forms import SpanForm
from programme.review.pdf import review_pdf
from programme.review.queries import how_good as forecasts
from programme.review.queries import monitoring as checks
from programme.review.queries import reasons as why
from programme.review.queries.asked import Asked
from programme.review.queries.data_quality import data_quality
from programme.review.queries.definitions import BY_KEY, DEFINITIONS
from programme.review.queries.programme import Review, people_behind, review
from programme.review.tables import data_csv, for_paper, monitoring_csv, reasons_csv, review_csv
from sessions.numeric.watch import ABOVE_MOST, INSIDE_LEAST


@access.needs("see.review")
@require_safe
def programme(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    form = SpanForm(request.GET, today=now.date())
    asked = form.asked()
    found = review(request.user.site, asked, now)
    rows = [(row, charts.draw(row)) for row in found.everybody.rows]
    context = {"nav": "review", "review": found, "rows": rows, "form": form, "definitions": DEFINITIONS}
    context["by_measure"] = [tuple(zip(found.parts, rows, strict=True)) for rows in found.by_measure]
    context |= {"held": found.everybody.row("under_sessions"), "query": _query(asked)}
    context["forecasts"] = forecasts.how_good(request.user.site)
    return render(request, "review/programme.html", context, status=200 if form.is_valid() else 400)


@access.needs("see.review")
@require_safe
def people(request: access.SignedIn, measure: str) -> HttpResponse:
    if measure not in BY_KEY:
        raise Http404("No such measure.")
    now = site_now(request.user)
    asked, group = SpanForm(request.GET, today=now.date()).asked(), request.GET.get("group", "")
    behind, said = people_behind(request.user.site, measure, asked, now, group=group)
    context = {"nav": "review", "one": BY_KEY[measure], "behind": behind, "asked": asked, "group": said}
    return render(request, "review/people.html", context | {"query": _query(asked)})


@access.needs("see.review")
@require_safe
def as_csv(request: access.SignedIn) -> HttpResponse:
    found = _asked(request)
    return _table(review_csv(found), f"review-{found.asked.end:%Y%m%d}")


@access.needs("see.review")
@require_safe
def as_pdf(request: access.SignedIn) -> HttpResponse:
    found = _asked(request)
    content = review_pdf(found, groups=for_paper(found), printed_at=site_now(request.user))
    return _file(content, "application/pdf", f"review-{found.asked.end:%Y%m%d}.pdf", "inline")


@access.needs("see.review")
@require_safe
def how_good(request: access.SignedIn) -> HttpResponse:
    found = forecasts.how_good(request.user.site)
    drawn = charts.square(found.chances) if found else None
    context = {"nav": "review", "found": found, "square": drawn, "watch": newest(request.user.site)}
    bounds = {"least_inside": INSIDE_LEAST, "most_above": ABOVE_MOST}
    return render(request, "review/how_good.html", context | bounds)


@access.needs("see.review")
@require_safe
def monitoring(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    found = checks.monitoring(request.user.site, now.date(), site_settings(request.user.site, now))
    return render(request, "review/monitoring.html", {"nav": "review", "found": found})


@access.needs("see.review")
@require_safe
def reasons(request: access.SignedIn) -> HttpResponse:
    form = SpanForm(request.GET, today=site_now(request.user).date())
    asked = form.asked()
    context = {"nav": "review", "found": why.reasons(request.user.site, asked), "asked": asked, "form": form}
    status = 200 if form.is_valid() else 400
    return render(request, "review/reasons.html", context | {"query": _query(asked)}, status=status)


@access.needs("see.review")
@require_safe
def data(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    form = SpanForm(request.GET, today=now.date())
    asked = form.asked()
    found = data_quality(request.user.site, asked, now.date(), site_settings(request.user.site, now))
    worst = max((one for one in found if one.count), key=lambda one: one.pct or 0.0, default=None)
    context = {"nav": "review", "found": found, "worst": worst, "asked": asked, "form": form, "query": _query(asked)}
    return render(request, "review/data.html", context, status=200 if form.is_valid() else 400)


@access.needs("see.review")
@require_safe
def monitoring_as_csv(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    rules = site_settings(request.user.site, now)
    found = checks.monitoring(request.user.site, now.date(), rules)
    text = monitoring_csv(found, smallest=int(rules["smallest_count_shown"]))
    return _table(text, f"monitoring-{found.on:%Y%m%d}")


@access.needs("see.review")
@require_safe
def reasons_as_csv(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    asked = SpanForm(request.GET, today=now.date()).asked()
    smallest = int(site_settings(request.user.site, now)["smallest_count_shown"])
    return _table(reasons_csv(why.reasons(request.user.site, asked), smallest=smallest), f"reasons-{asked.end:%Y%m%d}")


@access.needs("see.review")
@require_safe
def data_as_csv(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    asked, rules = SpanForm(request.GET, today=now.date()).asked(), site_settings(request.user.site, now)
    found = data_quality(request.user.site, asked, now.date(), rules)
    return _table(data_csv(found, smallest=int(rules["smallest_count_shown"])), f"data-{asked.end:%Y%m%d}")


def _asked(request: access.SignedIn) -> Review:
    now = site_now(request.user)
    return review(request.user.site, SpanForm(request.GET, today=now.date()).asked(), now)


def _query(asked: Asked) -> str:
    said = {"start": asked.start.isoformat(), "end": asked.end.isoformat(), "genotype": asked.genotype, "by": asked.by}
    return urlencode({key: value for key, value in said.items() if value})


def _table(text: str, name: str) -> HttpResponse:
    return _file(text.encode(), "text/csv; charset=utf-8", f"{name}.csv", "attachment")


def _file(content: bytes, kind: str, name: str, how: str) -> HttpResponse:
    return HttpResponse(content, content_type=kind, headers={"Content-Disposition": f'{how}; filename="{name}"'})
