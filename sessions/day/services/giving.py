"""Units started, ended, put away and taken back; each step refused where it could hurt.

Each function is one transaction of the unit's row, the entry at the bedside and the trail. `key` is the form's one-time
key, `version` the unit's as the person saw it.
"""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import state_of
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from sessions.day import rows
from sessions.day.inputs import open_signs
from sessions.day.models import Entry
from sessions.day.numeric.entries import UNDO, UNIT_ENDED, UNIT_PUT_AWAY, UNIT_STARTED
from sessions.day.numeric.unit_clocks import (
    clock_faults,
    late_start,
    out_too_long,
    unit_clocks,
)
from sessions.day.queries import (
    blood_of,
    came_before,
    fault_of_sample,
    is_automated,
    newest_sample,
    sample_of_unit,
    tally_of,
)
from sessions.day.services.consent import refuse_taken_back
from sessions.day.services.units import LAST_PLACE, held_unit, refuse_unit, write_unit
from sessions.models import DonationUnit, ExchangeSession, State, UnitState

NEVER_STARTED = (UnitState.AT_CHAIR, UnitState.CHECKED)
PUT_AWAY = (UnitState.RETURNED, UnitState.DISCARDED)


@transaction.atomic
def start_unit(
    *, unit: DonationUnit, version: int, key: str, actor: User, at: datetime, why_late: str = ""
) -> DonationUnit:
    """Start a checked unit: matched once more, in date, its sample valid now, its clocks not run out.

    Its sample is the newest that was taken before the unit came: no later one can be what it was crossmatched on.
    why_late: asked for where it has been out of storage longer than the site's limit for starting. The entry names the
    sample, for the record. Raises ValidationError where any of that does not hold, the run is paused, another unit is
    being given, or no step of the plan gives this one.
    """
    row, now = held_unit(unit)
    if row.state != UnitState.CHECKED:
        raise ValidationError(f"Unit {row.place} is {row.get_state_display()}: only a checked unit is started.")
    refuse_taken_back(now, at)
    refuse_unit(row, blood_of(row), at)
    faults = _not_now(row, now, at)
    settings = site_settings(now.patient.site, at)
    zone = ZoneInfo(now.patient.site.time_zone)
    local = at.astimezone(zone)
    out = row.out_of_storage_at and row.out_of_storage_at.astimezone(zone)
    clocks = unit_clocks(out_of_storage_at=out, started_at=None, settings=settings)
    sample = sample_of_unit(row, now.patient, local)
    faults += clock_faults(clocks, local)
    if fault := fault_of_sample(sample, now.patient, local, settings):
        faults += filter(None, [fault, came_before(row, newest_sample(now.patient, local), zone)])
    if faults:
        raise ValidationError(faults)
    late = late_start(clocks, local)
    if late and not why_late.strip():
        raise ValidationError({"why_late": late})
    before = state_of(row)
    row.state, row.started_at = UnitState.RUNNING, at
    why = why_late.strip() if late else ""
    said = {"crossmatch_sample": sample.pk if sample else None}
    write_unit(row, now, UNIT_STARTED, key, said, ["state", "started_at"], before, version, actor, at, why=why)
    return row


def _not_now(row: DonationUnit, now: ExchangeSession, at: datetime) -> list[str]:
    if now.state != State.RUNNING:
        return [f"This session is {now.state}: a unit is started once it runs."]
    faults, state = [], tally_of(now)
    if not any(row.place in step.planned.units for step in state.steps) and not is_automated(now):
        faults.append(
            f"No step of the plan gives unit {row.place}, so its volume could not be entered: change the plan first, "
            "so that a prescriber signs one unit more."
        )
    if state.paused_since is not None:
        faults.append("The run is paused: resume it first, when it is right to go on.")
    faults += [f"Unit {place} is being given: end it first." for place in _others_given_now(row, now)]
    if open_signs(now.patient):
        faults.append(
            "A sign of haemolysis is open: no red cells until a haematologist has decided and a consultant has said so."
        )
    return faults


def _others_given_now(row: DonationUnit, now: ExchangeSession) -> list[int]:
    return [place for (place,) in rows.GIVEN_NOW.figures(session=now.pk, but=row.pk)]


@transaction.atomic
def end_unit(
    *, unit: DonationUnit, version: int, key: str, actor: User, at: datetime, stopped_why: str = ""
) -> DonationUnit:
    """End a unit that is being given; `stopped_why` where it was stopped before it was empty."""
    row, now = held_unit(unit)
    if row.state != UnitState.RUNNING:
        raise ValidationError(f"Unit {row.place} is {row.get_state_display()}: only a unit that is being given ends.")
    before = state_of(row)
    row.state, row.ended_at, row.end_reason = UnitState.GIVEN, at, stopped_why.strip()
    said = {"stopped": bool(row.end_reason)}
    write_unit(row, now, UNIT_ENDED, key, said, ["state", "ended_at", "end_reason"], before, version, actor, at,
           why=row.end_reason)  # fmt: skip
    return row


@transaction.atomic
def put_away(
    *,
    unit: DonationUnit,
    version: int,
    key: str,
    state: str,
    reason: str,
    actor: User,
    at: datetime,
    out_at: datetime | None = None,
    back_at: datetime | None = None,
    decided: str = "",
) -> DonationUnit:
    """Return or discard a unit that was never started, with a reason; its place becomes free for another.

    out_at: when it left controlled storage, where that was not recorded before. back_at: when it was back there, by
    default now. decided: who at the blood bank took it back although it was out longer than the site's limit.
    Raises ValidationError for a unit of which something was given: that one is ended, not put away; and for one that
    would go back to stock too late.
    """
    row, now = held_unit(unit)
    if state not in PUT_AWAY:
        raise ValidationError({"state": "A unit is returned or discarded."})
    if not reason.strip():
        raise ValidationError({"reason": f"Say why the unit is {state}."})
    given = tally_of(now).units.get(row.place)
    if row.state not in NEVER_STARTED or (given is not None and given.in_ml > 0.0):
        raise ValidationError(
            f"Unit {row.place} is {row.get_state_display()}: of what was given something, it is ended."
        )
    before, place = state_of(row), row.place
    _time_out(row, now, state, out_at, back_at, decided.strip(), at)
    row.state, row.end_reason, row.place = UnitState(state), reason.strip(), _place_beyond(now, row)
    said = {"unit": place, "state": state}
    if row.out_of_storage_at is not None:
        said["minutes_out"] = int(((row.back_in_storage_at or at) - row.out_of_storage_at).total_seconds() // 60)
    fields = ["state", "end_reason", "place", "out_of_storage_at", "back_in_storage_at", "return_decided"]
    write_unit(row, now, UNIT_PUT_AWAY, key, said, fields, before, version, actor, at, why=row.end_reason)
    return row


def _time_out(
    row: DonationUnit,
    now: ExchangeSession,
    state: str,
    out_at: datetime | None,
    back_at: datetime | None,
    decided: str,
    at: datetime,
) -> None:
    """Write when a unit was out of storage, and refuse one that goes back to stock too late with nobody's decision."""
    row.out_of_storage_at = row.out_of_storage_at or out_at
    if state != UnitState.RETURNED:
        return
    zone, back = ZoneInfo(now.patient.site.time_zone), back_at or at
    if back > at or (row.out_of_storage_at is not None and back < row.out_of_storage_at):
        raise ValidationError({"back_at": "Allowed is from when it left storage up to now."})
    out = row.out_of_storage_at and row.out_of_storage_at.astimezone(zone)
    limit = site_settings(now.patient.site, at)["unit_return_limit_min"]
    late = out_too_long(out, back.astimezone(zone), limit_min=limit)
    if late and not decided:
        raise ValidationError({"decided": late})
    row.back_in_storage_at, row.return_decided = back, decided if late else ""


@transaction.atomic
def take_back(*, unit: DonationUnit, version: int, key: str, reason: str, actor: User, at: datetime) -> DonationUnit:
    """Undo the last start or end of a unit that was entered by mistake; the entries stay and say so.

    Raises ValidationError where nothing of it can be taken back, volume was entered for it after a start, or another
    unit has been started since its end: two are never given at once.
    """
    row, now = held_unit(unit)
    if not reason.strip():
        raise ValidationError({"reason": "Say why it is taken back."})
    state = tally_of(now)
    given = state.units.get(row.place)
    kind = {UnitState.RUNNING: UNIT_STARTED, UnitState.GIVEN: UNIT_ENDED}.get(UnitState(row.state))
    entries = Entry.objects.filter(exchange_session=now, kind=kind or "", body__unit=row.place)
    entry = entries.exclude(number__in=state.undone).order_by("-number").first()
    if now.state != State.RUNNING or entry is None:
        raise ValidationError("Nothing of this unit can be taken back now.")
    if kind == UNIT_STARTED and given is not None and given.in_ml > 0.0:
        raise ValidationError(f"{given.in_ml:.0f} mL of this unit are entered as given: undo those first.")
    if kind == UNIT_ENDED and (others := _others_given_now(row, now)):
        raise ValidationError(f"Unit {others[0]} is being given: end it first, or take its start back.")
    before = state_of(row)
    if kind == UNIT_STARTED:
        row.state, row.started_at = UnitState.CHECKED, None
    else:
        row.state, row.ended_at, row.end_reason = UnitState.RUNNING, None, ""
    fields = ["state", "started_at", "ended_at", "end_reason"]
    said = {"number": entry.number}
    write_unit(row, now, UNDO, key, said, fields, before, version, actor, at, why=reason.strip())
    return row


def _place_beyond(now: ExchangeSession, row: DonationUnit) -> int:
    """The last free place: a unit that is put away leaves its own to the one that comes instead."""
    taken = set(DonationUnit.objects.filter(exchange_session=now).exclude(pk=row.pk).values_list("place", flat=True))
    return next(place for place in range(LAST_PLACE, 0, -1) if place not in taken)
