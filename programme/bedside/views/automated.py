"""An automated session: its page at the chair, and its totals put right afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse

from programme.bedside.forms.ending import RightTotalsForm, TotalsForm, shown_moment
from programme.bedside.queries.automated import automated_of
from programme.bedside.views.ending import filled
from programme.core import access
from programme.core.look import site_now
from programme.worklist.views.saving import FormPage, answer
from sessions.day.numeric.entries import TOTALS
from sessions.day.numeric.machine import Totals
from sessions.day.services import afterwards
from sessions.models import ExchangeSession


def automated_board(
    exchange_session: ExchangeSession, now: datetime, typed: Mapping[str, str] | None
) -> dict[str, Any]:
    """Return what the page shows besides what it shares with a session by hand; `typed` where totals were refused."""
    run = automated_of(exchange_session, today=now.date(), at=now)
    zone, on = ZoneInfo(exchange_session.patient.site.time_zone), exchange_session.on
    form = TotalsForm(
        dict(typed) if typed and typed.get("kind") == TOTALS else None, today=now.date(), zone=zone, on=on,
        initial={"started": shown_moment(exchange_session.started_at, zone, on)},
        beside=run.planned.beside if run else {},
    )  # fmt: skip
    return {"run": run, "board": "bedside/_automated.html", "totals_form": form}


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
    page = FormPage(
        "Put the totals right", lede, "Put them right", there, [form], exchange_session.patient, at_chair=True
    )
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
