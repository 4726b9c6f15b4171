"""Bring in a file of results: choose it, see what it would do, confirm."""

from __future__ import annotations

from datetime import datetime

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from programme.core import access, receipts
from programme.core.look import site_now
from programme.intake.numeric.csv_results import COLUMNS, FaultyFile
from programme.intake.services.files import import_file, look_at_file
from programme.intake.services.keeping import NotKept
from programme.worklist import uploads
from programme.worklist.views.load import GONE, kept_file, remember

PAGE = "worklist/load_results.html"


@access.needs("change.results")
@require_http_methods(["GET", "HEAD", "POST"])
def choose(request: access.SignedIn) -> HttpResponse:
    if request.method != "POST":
        return _page(request)
    chosen = request.FILES.get("file")
    if chosen is None:
        return _page(request, problem="Choose a file first.")
    try:
        kept = uploads.keep_upload(user=request.user, chosen=chosen, at=site_now(request.user))
    except uploads.TooLarge as error:
        return _page(request, problem=str(error))
    remember(request, kept)
    return redirect("worklist:load_results_look", token=kept.token)


@access.needs("change.results")
@require_http_methods(["GET", "HEAD", "POST"])
def look(request: access.SignedIn, token: str) -> HttpResponse:
    kept, data = kept_file(request, token)
    if kept is None or data is None:
        messages.error(request, GONE)
        return redirect("worklist:load_results")
    now = site_now(request.user)
    try:
        if request.method == "POST":
            return redirect(_take(request, token, data, now))
        taken = look_at_file(site=request.user.site, body=data, at=now)
    except FaultyFile as refusal:
        return _page(request, kept=kept, faults=refusal.faults)
    except (NotKept, receipts.BadReceipt) as error:
        return _page(request, problem=str(error))
    return _page(request, kept=kept, taken=taken)


def _take(request: access.SignedIn, token: str, data: bytes, now: datetime) -> str:
    def do() -> str:
        taken = import_file(site=request.user.site, body=data, at=now)
        messages.success(request, taken.words)
        return reverse("intake:inbox")

    key = request.POST.get("receipt", "")
    address = receipts.once(key=key, actor=request.user, at=now, action="bring in results", do=do)
    uploads.drop_upload(user=request.user, token=token)
    return address


def _page(request: access.SignedIn, **found: object) -> HttpResponse:
    context = {"nav": "inbox", "receipt": receipts.new_key(), "columns": COLUMNS, **found}
    return render(request, PAGE, context, status=422 if "problem" in found else 200)
