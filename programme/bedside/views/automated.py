"""An automated session: its totals, put right afterwards."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from django.http import HttpResponse

from programme.bedside.forms.ending import RightTotalsForm, shown_moment
from programme.bedside.views.ending import filled
from programme.core import access
from programme.core.look import site_now
from programme.worklist.views.saving import FormPage, answer
from sessions.day.numeric.machine import Totals
from sessions.day.services import afterwards
from sessions.models import ExchangeSession


def put_totals_right(
    request: access.SignedIn, exchange_session: ExchangeSession, totals: Totals, *, there: str
) -> HttpResponse:
    """Show and take the right totals of a session that is over; those that stand are in the form, to be changed."""
    now = site_now(request.user)
    form = RightTotalsForm(**filled(request, exchange_session, now, **shown_totals(exchange_session, totals)))

    def save(at: datetime) -> str:
        afterwards.correct_totals(
            exchange_session=exchange_session, totals=form.said(), why=form.cleaned_data["why"],
            key=form.cleaned_data["receipt"], actor=request.user, at=at,
        )  # fmt: skip
        return there

    lede = "The wrong totals stay to be read, and no longer count; the session is written anew from the right ones."
    page = FormPage("Put the totals right", lede, "Put them right", there, [form], exchange_session.patient)
    return answer(request, page, action="put totals right", save=save, done="Put right.")


def shown_totals(exchange_session: ExchangeSession, totals: Totals) -> dict[str, str]:
    """Return totals as the fields of their form show them."""
    zone, on = ZoneInfo(exchange_session.patient.site.time_zone), exchange_session.on
    volumes = {name: f"{getattr(totals, name):g}" for name in ("saline_in_ml", "red_cells_in_ml", "blood_out_ml")}
    return volumes | {
        "units": str(totals.units),
        "started": shown_moment(totals.started_at, zone, on),
        "ended": shown_moment(totals.ended_at, zone, on),
        "end_words": totals.end_words,
    }
