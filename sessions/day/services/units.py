"""Units brought to the chair and checked by two people; each step refused where it could hurt.

Each function is one transaction of the unit's row, the entry at the bedside and the trail. `key` is the form's one-time
key, `version` the unit's as the person saw it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction

from patients.services import change_of, state_of
from programme.core import access, trail
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from sessions.day import rows
from sessions.day.numeric.blood_match import STOP, UnitBlood, differences, negatives_written
from sessions.day.numeric.donation_number import spaced
from sessions.day.numeric.entries import UNDO, UNIT_CHECKED
from sessions.day.numeric.identity import identity_faults
from sessions.day.numeric.unit_clocks import (
    is_expired,
)
from sessions.day.queries import blood_of, needed_blood, other_use, steps_carried_out
from sessions.day.services.consent import refuse_taken_back
from sessions.day.services.entering import keep
from sessions.day.services.moves import hold
from sessions.models import DonationUnit, ExchangeSession, State, UnitState

Refuser = Callable[[DonationUnit], str]
_refusers: list[Refuser] = []

LAST_PLACE = 20
TAKES_UNITS = (State.AUTHORISED, State.RUNNING)


def refuse_also(refuser: Refuser) -> None:
    """Register `refuser`, asked about every unit at a chair: it returns why it is not for this person, or ''."""
    if refuser not in _refusers:
        _refusers.append(refuser)


@dataclass(frozen=True, slots=True)
class Label:
    """What a unit's label and the laboratory's report say. hbs_negative None: not stated."""

    donation_number: str
    abo: str
    rhd: str
    expires_on: date
    expires_at: time | None = None
    product_code: str = ""
    negative: frozenset[str] = frozenset()
    positive: frozenset[str] = frozenset()
    hbs_negative: bool | None = None
    volume_ml: float | None = None
    hb_g: float | None = None
    special_marks: str = ""

    @property
    def blood(self) -> UnitBlood:
        return UnitBlood(self.abo, self.rhd, self.negative, self.positive, self.hbs_negative)


@dataclass(frozen=True, slots=True)
class AtTheChair:
    """What was asked and scanned at the chair before a check: the person, their wristband, and the unit once more."""

    name_and_birth_asked: bool
    wristband: str
    donation_number: str


@transaction.atomic
def add_unit(
    *, exchange_session: ExchangeSession, label: Label, out_of_storage_at: datetime | None, actor: User, at: datetime
) -> DonationUnit:
    """Bring a unit to the chair, at the first free place of the plan. It is checked afterwards.

    out_of_storage_at: None where nobody noted it. Raises ValidationError with everything in which it differs from what
    the person must have, or where it is used, expired, or this session takes no units.
    """
    now = hold(exchange_session)
    if now.state not in TAKES_UNITS:
        raise ValidationError(f"This session is {now.state}: units come to the chair once it is authorised.")
    if out_of_storage_at is not None and out_of_storage_at > at:
        raise ValidationError({"out_of_storage": "This time is still to come."})
    unit = unit_of(label, exchange_session=now, state=UnitState.AT_CHAIR, out_of_storage_at=out_of_storage_at)
    refuse_unit(unit, label.blood, at)
    unit.full_clean()
    _save_new(unit)
    trail.write([change_of(now.patient, "bring unit", unit)], actor=actor, at=at)
    return unit


def unit_of(label: Label, *, exchange_session: ExchangeSession, state: UnitState, **more: Any) -> DonationUnit:
    """Return an unsaved unit as its label says, at the first free place of the session."""
    return DonationUnit(
        exchange_session=exchange_session,
        place=free_place(exchange_session),
        state=state,
        donation_number=label.donation_number,
        abo=label.abo,
        rhd=label.rhd,
        expires_on=label.expires_on,
        expires_at=label.expires_at,
        product_code=label.product_code,
        antigens_negative=negatives_written(label.negative),
        hbs_negative=label.hbs_negative,
        volume_ml=label.volume_ml,
        hb_g=label.hb_g,
        special_marks=label.special_marks,
        **more,
    )


def _save_new(unit: DonationUnit) -> None:
    """Save a unit; of two that bring the same one to two chairs at the same moment, the later is refused."""
    try:
        with transaction.atomic():
            unit.save()
    except IntegrityError as error:
        words = f"{spaced(unit.donation_number)} was brought to another chair at this moment. Do not give."
        raise ValidationError({"number": words}) from error


def record_refusal(
    *, exchange_session: ExchangeSession, donation_number: str, sentences: Iterable[str], actor: User, at: datetime
) -> None:
    """Keep in the trail that a unit was stopped at the chair, and why: a near miss is worth knowing."""
    patient = exchange_session.patient
    with transaction.atomic():
        hold(exchange_session)
        said = trail.Change(
            site_key=patient.site_id, patient_key=patient.pk, action="unit stopped", row_kind="donation number",
            row_key=exchange_session.pk, after={"donation_number": donation_number, "why": list(sentences)},
        )  # fmt: skip
        trail.write([said], actor=actor, at=at)


@transaction.atomic
def check_unit(
    *,
    unit: DonationUnit,
    version: int,
    key: str,
    chair: AtTheChair,
    actor: User,
    at: datetime,
    second: User | None = None,
    emergency_reason: str = "",
) -> DonationUnit:
    """Sign a check of a unit at the chair: the first, the second, or both when `second` proved themselves there.

    A unit counts as checked once as many people as the site asks for have signed, or one with a reason in an emergency.
    Raises ValidationError where person, wristband, unit or match is wrong, or one person would sign twice.
    """
    row, now = held_unit(unit)
    if row.state != UnitState.AT_CHAIR:
        raise ValidationError(f"Unit {row.place} is {row.get_state_display()}: a unit at the chair is checked.")
    if now.state not in TAKES_UNITS:
        raise ValidationError(f"This session is {now.state}: no unit is checked.")
    _check_chair(row, now, chair)
    refuse_taken_back(now, at)
    refuse_unit(row, blood_of(row), at)
    if second is not None and (second.site_id != now.patient.site_id or not access.may(second, "change.run")):
        raise PermissionDenied("change.run")
    before = state_of(row)
    needed = int(site_settings(now.patient.site, at)["checkers_needed"])
    signed = _sign(row, actor, second, needed=needed, emergency_reason=emergency_reason.strip(), at=at)
    said = {"as": signed, "checked": row.state == UnitState.CHECKED, "second": second.full_name if second else ""}
    fields = ["first_checker", "second_checker", "checked_at", "emergency_reason", "state"]
    write_unit(row, now, UNIT_CHECKED, key, said, fields, before, version, actor, at, why=row.emergency_reason)
    return row


def _sign(
    row: DonationUnit, actor: User, second: User | None, *, needed: int, emergency_reason: str, at: datetime
) -> str:
    """Put the names in their places; return as what the signature counts."""
    if second is not None and second.pk == actor.pk:
        raise ValidationError({"second": "The second check is made by another person: two people, each by themselves."})
    if row.first_checker_id is None:
        row.first_checker, row.second_checker = actor, second
        signed = "both" if second else "first"
    elif row.first_checker_id != actor.pk:
        row.second_checker = actor
        signed = "second"
    elif second is not None:
        row.second_checker = second
        signed = "second"
    elif needed == 1:
        signed = "first"
    elif emergency_reason:
        signed = "alone"
    else:
        raise ValidationError({"second": "You made the first check; the second is made by another person."})
    enough = row.second_checker_id is not None or needed == 1
    if enough or emergency_reason:
        row.state, row.checked_at = UnitState.CHECKED, at
        row.emergency_reason = "" if enough else emergency_reason
        signed = signed if enough else "alone"
    return signed


def held_unit(unit: DonationUnit) -> tuple[DonationUnit, ExchangeSession]:
    """Return a unit and its session as they are now, held for this transaction."""
    now = hold(unit.exchange_session)
    row = rows.UNIT_HELD.first(key=unit.pk)
    if row is None:
        raise DonationUnit.DoesNotExist("This unit is no longer there.")
    row.exchange_session = now
    return row, now


def write_unit(
    row: DonationUnit,
    now: ExchangeSession,
    kind: str,
    key: str,
    said: Mapping[str, Any],
    fields: list[str],
    before: dict[str, Any],
    version: int,
    actor: User,
    at: datetime,
    *,
    why: str,
) -> None:
    """Write a unit's changed fields, its entry at the bedside and the trail.

    The database checks its constraints by itself; only where it refuses are they asked one by one, for their words.
    """
    row.version = version
    # Who signed is somebody who is signed in; the database holds that they are there.
    untouched = {field.name for field in row._meta.fields if field.is_relation or field.name not in fields}
    row.full_clean(exclude=untouched, validate_unique=False, validate_constraints=False)
    try:
        with transaction.atomic():
            row.save_changes(fields)
    except IntegrityError:
        row.full_clean()
        raise
    body = dict(said) if kind == UNDO else {"unit": row.place, "donation_number": row.donation_number, **said}
    words = kind.replace("_", " ") if kind != UNDO else "take back unit"
    entry = change_of(now.patient, words, row, before=before, why=why)
    keep(
        exchange_session=now,
        key=f"{key}.unit"[-64:],
        kind=kind,
        body=body,
        actor=actor,
        at=at,
        why=why,
        with_it=[entry],
    )


def against_unit(unit: DonationUnit) -> list[str]:
    """Return what other parts of the programme have against a unit at a chair."""
    return list(filter(None, (refuser(unit) for refuser in _refusers)))


def refuse_unit(unit: DonationUnit, blood: UnitBlood, at: datetime) -> None:
    """Raise ValidationError, keyed by field, with everything that keeps this unit from being given to this person."""
    patient = unit.exchange_session.patient
    faults: dict[str, list[str]] = {}
    for difference in differences(blood, needed_blood(patient)):
        if difference.state == STOP:
            faults.setdefault(difference.field, []).append(difference.words)
    local = at.astimezone(ZoneInfo(patient.site.time_zone))
    if unit.expires_on is None:
        faults["expiry"] = ["The expiry is not recorded."]
    elif is_expired(unit.expires_on, unit.expires_at, local):
        faults["expiry"] = [f"Expired on {unit.expires_on.day} {unit.expires_on:%b %Y}. Do not give."]
    used = other_use(unit.donation_number, unit.product_code, but=unit.pk)
    if used is not None:
        faults["number"] = [used_words(used, unit.exchange_session)]
    elif found := against_unit(unit):
        faults["number"] = found
    if faults:
        raise ValidationError(faults)


def used_words(used: DonationUnit, here: ExchangeSession) -> str:
    """Say where a unit that is brought `here` was used already."""
    there = used.exchange_session
    day = f"{there.on.day} {there.on:%b %Y}"
    if there.pk == here.pk:
        where = "in this session"
    elif there.patient_id == here.patient_id:
        where = f"in this person's session of {day}"
    else:
        where = f"for another person, {day}"
    words = f"{spaced(used.donation_number)} is recorded already {where}: {used.get_state_display()}. Do not give."
    return words if used.product_code else f"{words} (No product code is recorded there to tell two products apart.)"


def _check_chair(row: DonationUnit, now: ExchangeSession, chair: AtTheChair) -> None:
    faults = identity_faults(
        name_and_birth_asked=chair.name_and_birth_asked,
        wristband=chair.wristband,
        patient_ref=now.patient.patient_ref,
    )
    if chair.donation_number != row.donation_number:
        faults["number"] = (
            f"In your hand is {spaced(chair.donation_number)}, this page is unit {row.place}, "
            f"{spaced(row.donation_number)}: not the same unit. Do not give."
        )
    if faults:
        raise ValidationError(faults)


def free_place(now: ExchangeSession) -> int:
    """Return the first place of the plan without a unit, else the next one after all."""
    taken = set(DonationUnit.objects.filter(exchange_session=now).values_list("place", flat=True))
    planned: list[int] = sorted(place for step in steps_carried_out(now) for place in step.get("units", ()))
    free: int | None = next((place for place in [*planned, *range(1, LAST_PLACE + 1)] if place not in taken), None)
    if free is None:
        raise ValidationError(f"A session takes at most {LAST_PLACE} units, those put away included.")
    return free
