"""Bring in past records: choose a file, look at what is wrong and what it would do, confirm."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from programme.core import access, receipts
from programme.core.look import site_now
from programme.worklist import uploads
from programme.worklist.queries.load import load_page, unanswered
from sessions.history.bring_in import Refused, bring_in
from sessions.history.look import look_at

KEPT = "files_to_bring_in"
GONE = "That file is no longer kept here. Choose it again; nothing was written."


@access.needs("change.history")
@require_http_methods(["GET", "HEAD", "POST"])
def choose(request: access.SignedIn) -> HttpResponse:
    if request.method != "POST":
        return render(request, "worklist/load.html", {"nav": "load"})
    chosen = request.FILES.get("file")
    if chosen is None:
        return _choose_again(request, "Choose a file first.")
    try:
        kept = uploads.keep_upload(user=request.user, chosen=chosen, at=site_now(request.user))
    except uploads.TooLarge as error:
        return _choose_again(request, str(error))
    remember(request, kept)
    return redirect("worklist:load_look", token=kept.token)


@access.needs("change.history")
@require_http_methods(["GET", "HEAD", "POST"])
def look(request: access.SignedIn, token: str) -> HttpResponse:
    kept, data = kept_file(request, token)
    if kept is None or data is None:
        messages.error(request, GONE)
        return redirect("worklist:load")
    now = site_now(request.user)
    page = load_page(look_at(site=request.user.site, data=data, at=now), data, request.POST)
    problem = ""
    if request.method == "POST":
        problem = unanswered(page)
        if not problem:
            return _confirm(request, token, data, {asked.found: asked.answer for asked in page.asked}, now)
    context = {"page": page, "kept": kept, "problem": problem, "nav": "load", "receipt": receipts.new_key()}
    return render(request, "worklist/load.html", context, status=422 if problem else 200)


@access.needs("change.history")
@require_safe
def faults(request: access.SignedIn, token: str) -> HttpResponse:
    """Every fault of the file in one line each, as plain text."""
    _, data = kept_file(request, token)
    if data is None:
        messages.error(request, GONE)
        return redirect("worklist:load")
    found = look_at(site=request.user.site, data=data, at=site_now(request.user)).faults
    text = "".join(f"{fault.line()}\n" for fault in found)
    return HttpResponse(text, content_type="text/plain; charset=utf-8")


def _confirm(request: access.SignedIn, token: str, data: bytes, answers: dict[str, str], now: datetime) -> HttpResponse:
    def write() -> str:
        done = bring_in(site=request.user.site, data=data, actor=request.user, at=now, answers=answers)
        messages.success(
            request,
            f"Brought in {done.n_sessions} sessions with {done.n_results} results; {done.n_people} new people.",
        )
        return reverse("worklist:list")

    key = request.POST.get("receipt", "")
    try:
        address = receipts.once(key=key, actor=request.user, at=now, action="bring in records", do=write)
    except (Refused, receipts.BadReceipt) as error:
        messages.error(request, str(error))
        return redirect("worklist:load_look", token=token)
    uploads.drop_upload(user=request.user, token=token)
    return redirect(address)


def _choose_again(request: access.SignedIn, problem: str) -> HttpResponse:
    return render(request, "worklist/load.html", {"nav": "load", "problem": problem}, status=422)


def remember(request: access.SignedIn, kept: uploads.KeptFile) -> None:
    """Note in the sign-in session what was looked at, so that no other file can be confirmed in its place."""
    files: dict[str, Any] = request.session.get(KEPT, {})
    newest = sorted(files.items(), key=lambda item: item[1]["read_at"])[-(uploads.MOST_FILES_A_USER - 1) :]
    request.session[KEPT] = {**dict(newest), kept.token: {**asdict(kept), "read_at": kept.read_at.isoformat()}}


def kept_file(request: access.SignedIn, token: str) -> tuple[uploads.KeptFile | None, bytes | None]:
    """Return the file that was looked at under this token, None where it is gone or was never this person's."""
    said = request.session.get(KEPT, {}).get(token)
    if said is None:
        return None, None
    kept = uploads.KeptFile(**{**said, "read_at": datetime.fromisoformat(said["read_at"])})
    return kept, uploads.read_upload(user=request.user, token=token, digest=kept.digest)
