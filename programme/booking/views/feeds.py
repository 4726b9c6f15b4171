"""Calendars: the addresses given out, and what one of them shows to whoever has it."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from programme.booking.feeds import calendar_text
from programme.booking.forms.feeds import FeedForm, RevokeForm
from programme.booking.models import CalendarFeed
from programme.booking.queries.feeds import entries_of, feed_of, feeds_given_out
from programme.booking.services import feeds as services
from programme.booking.views.pages import FormPage, asked, saved
from programme.booking.views.saving import PEOPLE
from programme.core import access
from programme.core.look import site_now

GONE = "There is no such calendar."


@access.needs("change.calendar_feeds")
@require_http_methods(["GET", "POST"])
def calendars(request: access.SignedIn) -> HttpResponse:
    """Give out an address, shown once, and see those given out."""
    site, today = request.user.site, site_now(request.user).date()
    form = FeedForm(**asked(request), site=site, today=today)

    def save(at: datetime) -> str:
        chair, ref = form.cleaned_data["chair"], form.cleaned_data["patient_ref"]
        patient = PEOPLE.filter(site=site, patient_ref=ref).first() if ref else None
        if ref and patient is None:
            raise ValidationError({"patient_ref": f"Nobody at this unit has the reference {ref}."})
        _, secret = services.make_feed(chair=chair, patient=patient, actor=request.user, at=at)
        there = request.build_absolute_uri(reverse("booking:calendar", args=[secret]))
        return f"The address, shown only now: {there}"

    if request.method == "POST" and saved(request, form, action="make calendar address", save=save):
        return redirect("booking:calendars")
    page = FormPage("Calendars", "", "Give out an address", reverse("booking:diary"), form)
    shown = {
        "page": page,
        "feeds": feeds_given_out(site),
        "now": timezone.now(),
        "receipt": RevokeForm(**asked(request))["receipt"].value(),
    }
    return render(request, "booking/calendars.html", shown | {"nav": "diary"})


@access.needs("change.calendar_feeds")
@require_POST
def revoke_calendar(request: access.SignedIn, key: int) -> HttpResponse:
    row = get_object_or_404(CalendarFeed, pk=key, site=request.user.site)

    def save(at: datetime) -> str:
        services.revoke_feed(row=row, actor=request.user, at=at)
        return "The address shows nothing from now on."

    form = RevokeForm(request.POST)
    if not saved(request, form, action=f"revoke calendar {key}", save=save):
        messages.error(request, " ".join(map(str, form.non_field_errors())))
    return redirect("booking:calendars")


@access.open_to_all
@require_safe
def calendar(request: HttpRequest, secret: str) -> HttpResponse:
    """A calendar by its secret address. Unknown, revoked and ended ones are the same."""
    now = timezone.now()
    feed = feed_of(services.digest_of(secret), now)
    if feed is None:
        return HttpResponse(GONE, status=404, content_type="text/plain; charset=utf-8")
    zone = ZoneInfo(feed.site.time_zone)
    text = calendar_text(entries_of(feed, now.astimezone(zone).date()), zone=zone, made_at=now)
    headers = {"Cache-Control": "no-store", "Referrer-Policy": "no-referrer", "X-Robots-Tag": "noindex"}
    return HttpResponse(text, content_type="text/calendar; charset=utf-8", headers=headers)
