"""A unit that was given and not recorded while the session ran, recorded once somebody finds out.

It was given: nothing that speaks against it can be refused any more, for that would hide whose blood it was. All of it
is said, and kept in its entry.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import change_of, need_reason
from programme.core import trail
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from sessions.day.numeric.blood_match import STOP, differences
from sessions.day.numeric.donation_number import spaced
from sessions.day.numeric.entries import MOVED, UNIT_ENDED, UNIT_STARTED
from sessions.day.numeric.naming import moment_faults
from sessions.day.numeric.tally import order_at
from sessions.day.numeric.unit_clocks import is_expired
from sessions.day.queries import blood_of, ending_of, is_automated, needed_blood, other_use, tally_of
from sessions.day.services.afterwards import need_ended
from sessions.day.services.entering import keep
from sessions.day.services.finishing import late_call
from sessions.day.services.moves import hold
from sessions.day.services.totals import rewrite_totals
from sessions.day.services.units import Label, against_unit, unit_of, used_words
from sessions.models import DonationUnit, ExchangeSession, UnitState


@transaction.atomic
def record_given_unit(
    *,
    exchange_session: ExchangeSession,
    label: Label,
    out_of_storage_at: datetime | None,
    started_at: datetime,
    ended_at: datetime,
    in_ml: float | None,
    checked_by: str,
    why: str,
    key: str,
    actor: User,
    at: datetime,
) -> DonationUnit:
    """Add a unit that was given to a session that is over, and write its steps and totals anew.

    in_ml: of it [mL]; None where a machine gave it, whose totals hold its volume and are put right by themselves.
    checked_by: in words, '' where nobody knows. Raises ValidationError where the session is not over, a time cannot be,
    the unit is recorded elsewhere, or without a reason.
    """
    now, why = hold(exchange_session), need_reason(why)
    need_ended(now)
    _refuse_what_cannot_be(now, label, started_at, ended_at, in_ml, at)
    times = {"out_of_storage_at": out_of_storage_at, "started_at": started_at, "ended_at": ended_at}
    unit = unit_of(label, exchange_session=now, state=UnitState.GIVEN, **times)
    unit.full_clean()
    unit.save()
    trail.write([change_of(now.patient, "record given unit", unit, why=why)], actor=actor, at=at)
    said = {"unit": unit.place, "donation_number": unit.donation_number, "afterwards": True}
    given: dict[str, Any] = {"exchange_session": now, "actor": actor, "at": at, "why": why}
    checked = {"checked_by": checked_by.strip(), "against": against_given(unit)}
    keep(**given, key=f"{key[:58]}.start", kind=UNIT_STARTED, body=said | checked, happened_at=started_at)
    if in_ml:
        keep(**given, key=f"{key[:58]}.moved", kind=MOVED, body=_moved(now, unit, in_ml, at), happened_at=ended_at,
             seen=1_000_000)  # fmt: skip
    keep(**given, key=f"{key[:58]}.end", kind=UNIT_ENDED, body=said, happened_at=ended_at)
    rewrite_totals(exchange_session=now, actor=actor, at=at, why=why)
    settings = site_settings(now.patient.site, at)
    call = late_call(now, ending_of(now, at=at, settings=settings), settings, at)
    if call:
        trail.write([change_of(now.patient, "open follow-up", call)], actor=actor, at=at)
    return unit


def _refuse_what_cannot_be(
    now: ExchangeSession, label: Label, started_at: datetime, ended_at: datetime, in_ml: float | None, at: datetime
) -> None:
    faults: dict[str, list[str]] = {}
    began = tally_of(now).began or now.started_at
    for name, moment in (("started", started_at), ("ended", ended_at)):
        if found := moment_faults(moment, at, began):
            faults[name] = found
    if ended_at < started_at:
        faults.setdefault("ended", []).append("A unit cannot end before it starts.")
    if not is_automated(now) and not in_ml:
        faults["given_ml"] = ["Say how much of it was given."]
    used = other_use(label.donation_number, label.product_code)
    if used is not None:
        here = used_words(used, now).replace(" Do not give.", "")
        faults["number"] = [f"{here} One of the two numbers is wrong: look at the bags and the papers."]
    if faults:
        raise ValidationError(faults)


def _moved(now: ExchangeSession, unit: DonationUnit, in_ml: float, at: datetime) -> dict[str, object]:
    """The volume as an entry: a step of its own, where its end stands among the others."""
    state, settings = tally_of(now), site_settings(now.patient.site, at)
    step = 1 + max([s.planned.number for s in state.steps] + [m.step for m in state.moved], default=0)
    hb_g = unit.hb_g if unit.hb_g and unit.volume_ml else settings["unit_hb_g"]
    volume_ml = unit.volume_ml if unit.hb_g and unit.volume_ml else settings["unit_volume_ml"]
    return {
        "step": min(step, 99), "fluid": "red_cells", "in_ml": in_ml, "out_ml": 0, "unit": unit.place,
        "cells_hb_g_l": 1000.0 * hb_g / volume_ml, "order": order_at(state, unit.ended_at or at),
    }  # fmt: skip


def against_given(unit: DonationUnit) -> list[str]:
    """Return a sentence for everything that should have kept a unit, which was given, from being given."""
    patient = unit.exchange_session.patient
    found = [one.words for one in differences(blood_of(unit), needed_blood(patient)) if one.state == STOP]
    started = unit.started_at and unit.started_at.astimezone(ZoneInfo(patient.site.time_zone))
    if started and unit.expires_on and is_expired(unit.expires_on, unit.expires_at, started):
        found.append(f"Expired on {unit.expires_on.day} {unit.expires_on:%b %Y}.")
    named = f"Unit {unit.place}, {spaced(unit.donation_number)}, was given:"
    return [f"{named} {was_given(words)}" for words in (*found, *against_unit(unit))]


def was_given(words: str) -> str:
    """Return what speaks against a unit without the order that comes too late."""
    return words.replace(" Do not give.", "")
