"""The unit's own texts: first actions at a reaction, leaflet, going home; who worded them, when and why."""

from __future__ import annotations

from datetime import datetime

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from programme.core import access
from programme.core.look import site_now
from programme.core.numeric.text_table import TEXTS
from programme.core.services import change_text
from programme.worklist.forms.settings import TextForm
from programme.worklist.queries.settings import newest_text, text_lines
from programme.worklist.views.people import blank, both_ways
from programme.worklist.views.saving import FormPage, answer


@access.needs("see.settings")
@require_safe
def texts(request: access.SignedIn) -> HttpResponse:
    lines = text_lines(request.user.site, site_now(request.user))
    return render(request, "worklist/texts.html", {"lines": lines, "nav": "settings"})


@access.needs("change.site_texts")
@both_ways
def text(request: access.SignedIn, text_name: str) -> HttpResponse:
    row = TEXTS.get(text_name)
    if row is None:
        raise Http404("No such text.")
    site, now = request.user.site, site_now(request.user)
    newest = newest_text(site, text_name)
    in_force = newest.text if newest else row.default
    form = TextForm(**blank(request, now.date(), text=in_force, version=str(newest.pk if newest else 0)))

    def save(at: datetime) -> str:
        given = form.cleaned_data
        change_text(
            site=site, name=text_name, text=given["text"], was=int(given["version"] or 0), reason=given["reason"],
            actor=request.user, at=at,
        )  # fmt: skip
        return reverse("worklist:texts")

    lede = "One line for each." if row.by_lines else "As people read it."
    page = FormPage(f"Text: {row.words}", lede, "Put it in force", reverse("worklist:texts"), [form])
    return answer(request, page, action="change text", save=save, done="The text is in force.")
