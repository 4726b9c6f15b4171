"""The unit's settings: every limit and constant, where it comes from, and who decided on the value in force."""

from __future__ import annotations

from datetime import datetime

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from programme.core import access
from programme.core.backups import last_backup
from programme.core.look import site_now
from programme.core.numeric.setting_table import SETTINGS
from programme.worklist.forms.settings import SettingForm
from programme.worklist.queries.settings import earlier_values, setting_lines
from programme.worklist.services import change_setting
from programme.worklist.views.people import blank, both_ways
from programme.worklist.views.saving import FormPage, answer


@access.needs("see.settings")
@require_safe
def settings(request: access.SignedIn) -> HttpResponse:
    now = timezone.now()
    lines = setting_lines(request.user.site, now)
    changed = [line for line in lines if not line.is_default]
    context = {
        "lines": lines,
        "changed": changed,
        "backup": last_backup(now, site=request.user.site),
        "nav": "settings",
    }
    return render(request, "worklist/settings.html", context)


@access.needs("change.settings")
@both_ways
def setting(request: access.SignedIn, name: str) -> HttpResponse:
    row = SETTINGS.get(name)
    if row is None:
        raise Http404("No such setting.")
    site, now = request.user.site, site_now(request.user)
    earlier = earlier_values(site, name)
    value = earlier[0].value if earlier else row.default
    form = SettingForm(**blank(request, now.date(), version=repr(value)), row=row)

    def save(at: datetime) -> str:
        given = form.cleaned_data
        change_setting(
            site=site, name=name, value=given["value"], reason=given["reason"], was=float(given["version"] or "nan"),
            actor=request.user, at=at,
        )  # fmt: skip
        return reverse("worklist:settings")

    lede = f"In force: {value:g} {row.unit}. Default {row.default:g}: {row.ground}. A change makes every plan stale."
    back = reverse("worklist:settings")
    extra = {"earlier": earlier, "unit": row.unit}
    page = FormPage(f"Setting: {row.words}", lede, "Put it in force", back, [form], extra=extra)
    return answer(request, page, action="change setting", save=save, done="The setting is in force.")
