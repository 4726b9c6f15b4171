"""The unit's chairs and days: what there is, adding to it, and changing or ending it."""

from __future__ import annotations

from datetime import datetime

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from programme.booking.forms.setup import KINDS, HolidaysForm, Kind, rule_form
from programme.booking.queries.chairs import chair_parts, displaced, holidays_ahead, whose_holidays
from programme.booking.services import chairs as services
from programme.booking.views.pages import FormPage, answer, asked
from programme.core import access
from programme.core.look import site_now

HOLIDAYS_LEDE = (
    "The unit is closed on the bank holidays of its country and region, and no laboratory or blood bank works on them. "
    "Nobody who is booked is moved; who then has no place is named."
)
both_ways = require_http_methods(["GET", "POST"])


@access.needs("see.diary")
@require_safe
def chairs(request: access.SignedIn) -> HttpResponse:
    site, today = request.user.site, site_now(request.user).date()
    shown = {"parts": chair_parts(site, today), "holidays": holidays_ahead(site, today), "whose": whose_holidays(site)}
    return render(request, "booking/chairs.html", shown | {"displaced": displaced(site, today), "nav": "diary"})


def _kind(name: str) -> Kind:
    if name not in KINDS:
        raise Http404("No such part of the diary.")
    return KINDS[name]


@access.needs("change.chairs")
@both_ways
def add_rule(request: access.SignedIn, kind: str) -> HttpResponse:
    made, site, today = _kind(kind), request.user.site, site_now(request.user).date()
    row = made.model(**({} if "chair" in made.new else {"site": site}))
    given = asked(request)
    given["initial"].update(since=today)
    form = rule_form(made, new=True)(**given, instance=row, site=site, today=today)

    def save(at: datetime) -> str:
        until, kept = form.cleaned_data.get("to"), {"row": form.instance, "actor": request.user, "at": at}
        count = len(services.add_days(until=until, **kept)) if until else len([services.add(**kept)])
        what = f"The {made.words} is" if count == 1 else f"{count} days that differ are"
        return f"{what} in the diary. {_left_over(request)}".strip()

    page = FormPage(f"New {made.words}", made.lede, "Put it in the diary", reverse("booking:chairs"), form)
    return answer(request, page, action=f"add {kind}", save=save)


@access.needs("change.chairs")
@both_ways
def change_rule(request: access.SignedIn, kind: str, key: int) -> HttpResponse:
    made, site, today = _kind(kind), request.user.site, site_now(request.user).date()
    of_site = {"chair__site": site} if "chair" in made.new else {"site": site}
    row = get_object_or_404(made.model, pk=key, **of_site)
    given = asked(request)
    given["initial"].update(version=row.version)
    form = rule_form(made, new=False)(**given, instance=row, site=site, today=today)

    def save(at: datetime) -> str:
        form.instance.version = form.cleaned_data["version"] or 0
        reason = form.cleaned_data["reason"]
        services.change(row=form.instance, fields=list(made.later), reason=reason, actor=request.user, at=at)
        return f"The {made.words} is changed. {_left_over(request)}".strip()

    page = FormPage(f"Change: {made.words}", made.lede, "Save", reverse("booking:chairs"), form)
    return answer(request, page, action=f"change {kind} {key}", save=save)


@access.needs("change.chairs")
@both_ways
def change_holidays(request: access.SignedIn) -> HttpResponse:
    site, given = request.user.site, asked(request)
    given["initial"].update(version=site.version, country=site.country, region=site.region)
    form = HolidaysForm(**given)

    def save(at: datetime) -> str:
        named = {name: form.cleaned_data[name] for name in ("country", "region", "reason")}
        version = form.cleaned_data["version"] or 0
        row = services.change_holidays(site=site, version=version, **named, actor=request.user, at=at)
        request.user.site = row
        return f"The bank holidays of {whose_holidays(row)} hold now. {_left_over(request)}".strip()

    page = FormPage("Bank holidays", HOLIDAYS_LEDE, "Save", reverse("booking:chairs"), form)
    return answer(request, page, action="change bank holidays", save=save)


def _left_over(request: access.SignedIn) -> str:
    """How many booked people no longer have a place; the page names them."""
    count = len(displaced(request.user.site, site_now(request.user).date()))
    return f"{count} booked {'person has' if count == 1 else 'people have'} no place now: see below." if count else ""
