"""After a session: the sample, its results, volumes put right, and a check of Hb that is to follow."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import change_of, finish_change, need_reason, new_result, refuse_future
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from sessions.day.models import Entry, FollowUp
from sessions.day.numeric.entries import MOVED, SAMPLE, TOTALS, UNDO
from sessions.day.numeric.machine import Totals
from sessions.day.numeric.naming import moment_faults
from sessions.day.numeric.tally import order_at
from sessions.day.queries import after_results, ending_of, sample_of, tally_of
from sessions.day.services.entering import ENDED, keep, refuse_of_method
from sessions.day.services.moves import hold
from sessions.day.services.totals import rewrite_totals
from sessions.models import ExchangeSession, Position, ResultLink

OF_A_WEIGHED_BAG = frozenset({"weighed_g", "bag", "tare_g"})


@transaction.atomic
def record_sample(
    *,
    exchange_session: ExchangeSession,
    taken_at: datetime,
    place: str,
    from_return: bool,
    key: str,
    actor: User,
    at: datetime,
) -> Entry:
    """Keep when and from where the after-sample was taken.

    from_return: from the line or arm through which fluid was given. An early or doubtful sample is kept all the same:
    what speaks against it is shown with its results. Raises: ValidationError for a time before the end or after now.
    """
    now = hold(exchange_session)
    if now.state not in ENDED or not now.has_happened:
        raise ValidationError(
            f"This session is {now.state}; a sample is entered once something was done and it is over, before it is "
            "closed. A consultant can open a closed one again."
        )
    _check_time(now, taken_at, at)
    body = {"taken_at": taken_at.isoformat(), "place": place.strip(), "from_return": from_return}
    return keep(exchange_session=now, key=key, kind=SAMPLE, body=body, actor=actor, at=at)


def _check_time(exchange_session: ExchangeSession, taken_at: datetime, at: datetime) -> None:
    if taken_at > at:
        raise ValidationError({"taken_at": "The sample lies in the future."})
    ended_at = exchange_session.ended_at
    if ended_at is not None and taken_at < ended_at.replace(second=0, microsecond=0):  # times are typed to the minute
        raise ValidationError({"taken_at": "The sample was taken before the session ended; that is no after-sample."})


@transaction.atomic
def record_after_results(
    *,
    exchange_session: ExchangeSession,
    values: Mapping[str, float],
    actor: User,
    at: datetime,
    method: str = "",
    taken_at: datetime | None = None,
) -> None:
    """Record results of the after-sample, in stored units by analyte, and link them to the session as after.

    taken_at: by default when the sample was taken, as entered. method: of the HbS assay.
    Raises: ValidationError where a result of the kind is linked already (it is corrected in the records instead), for a
    session that did not happen, or where no time of the sample is known.
    """
    now = hold(exchange_session)
    if not now.has_happened:
        raise ValidationError(f"This session is {now.state}: nothing was done that a sample could follow.")
    if not values:
        raise ValidationError("Enter at least one result.")
    if taken_at is None:
        sample = sample_of(ending_of(now, at=at, settings=site_settings(now.patient.site, at)))
        if sample is None:
            raise ValidationError({"taken_at": "Enter first when and from where the sample was taken."})
        taken_at = sample.taken_at
    _check_time(now, taken_at, at)
    known = after_results(now)
    for analyte in values:
        if analyte in known:
            label = known[analyte].get_analyte_display()
            raise ValidationError(f"{label} after this session is recorded already; correct it in the records.")
    said = []
    for analyte, value in values.items():
        result = new_result(
            patient=now.patient, analyte=analyte, value=value, taken_at=taken_at, at=at, received_at=at,
            method=method if analyte != "718-7" else "",
        )  # fmt: skip
        result.full_clean()
        result.save()
        ResultLink.objects.create(exchange_session=now, result=result, position=Position.AFTER, by_rule=False)
        said.append(change_of(now.patient, "record result", result))
    finish_change(now.patient, said, actor=actor, at=at)


@transaction.atomic
def correct_volume(
    *,
    exchange_session: ExchangeSession,
    number: int,
    in_ml: float,
    out_ml: float,
    why: str,
    key: str,
    actor: User,
    at: datetime,
) -> None:
    """Put a volume of a finished session right: the wrong entry is undone, another stands in its place and time.

    Nought in both leaves it undone. Raises: ValidationError where the session is not finished, the entry no longer
    counts, or without a reason.
    """
    now, why = hold(exchange_session), need_reason(why)
    _need_volumes(now)
    old = next((one for one in tally_of(now).moved if one.number == number), None)
    if old is None:
        raise ValidationError(f"Entry {number} is no volume that counts in this session.")
    given: dict[str, Any] = {"exchange_session": now, "actor": actor, "at": at, "why": why}
    keep(**given, key=f"{key[:60]}-u", kind=UNDO, body={"number": number})
    if in_ml or out_ml:
        body = dict(Entry.objects.get(exchange_session=now, number=number).body)
        if out_ml != body["out_ml"]:  # what the bag weighed is not what was drawn
            body = {name: said for name, said in body.items() if name not in OF_A_WEIGHED_BAG}
        body |= {"in_ml": in_ml, "out_ml": out_ml, "order": body.get("order") or number}
        keep(**given, key=f"{key[:60]}-m", kind=MOVED, body=body, happened_at=old.at, seen=1_000_000)
    rewrite_totals(exchange_session=now, actor=actor, at=at, why=why)


@transaction.atomic
def add_volume(
    *,
    exchange_session: ExchangeSession,
    in_ml: float,
    out_ml: float,
    happened_at: datetime,
    why: str,
    key: str,
    actor: User,
    at: datetime,
) -> None:
    """Add saline given and blood drawn that are missing from a finished session, such as blood drawn to lower Hb."""
    now, why = hold(exchange_session), need_reason(why)
    _need_volumes(now)
    state = tally_of(now)
    if faults := moment_faults(happened_at, at, state.began or now.started_at):
        raise ValidationError({"happened_at": faults})
    step = 1 + max([s.planned.number for s in state.steps] + [m.step for m in state.moved], default=0)
    body = {"step": min(step, 99), "fluid": "saline", "in_ml": in_ml, "out_ml": out_ml}
    body["order"] = order_at(state, happened_at)
    keep(
        exchange_session=now, key=key, kind=MOVED, body=body, actor=actor, at=at, why=why, happened_at=happened_at,
        seen=1_000_000,
    )  # fmt: skip
    rewrite_totals(exchange_session=now, actor=actor, at=at, why=why)


@transaction.atomic
def correct_totals(
    *, exchange_session: ExchangeSession, totals: Totals, why: str, key: str, actor: User, at: datetime
) -> None:
    """Put the totals of a finished automated session right: those entered are undone, others stand in their place.

    Raises: ValidationError where the session is not finished or has no totals entered, without a reason, or where the
    new ones cannot be, or name another number of units than were started.
    """
    now, why = hold(exchange_session), need_reason(why)
    need_ended(now)
    state = tally_of(now)
    if state.totals is None:
        raise ValidationError("No totals of a machine are entered in this session.")
    began = state.began or now.started_at
    faults = [f for moment in (totals.started_at, totals.ended_at) for f in moment_faults(moment, at, began)]
    given: dict[str, Any] = {"exchange_session": now, "actor": actor, "at": at, "why": why}
    if not faults:
        keep(**given, key=f"{key[:60]}-u", kind=UNDO, body={"number": state.totals.number})
        keep(**given, key=f"{key[:60]}-t", kind=TOTALS, body=totals.body())
        stops = ending_of(now, at=at, settings=site_settings(now.patient.site, at)).stops
        faults = [f"{check.sentence}." for check in stops]
    if faults:
        raise ValidationError(faults)
    rewrite_totals(exchange_session=now, actor=actor, at=at, why=why)


def _need_volumes(exchange_session: ExchangeSession) -> None:
    refuse_of_method(exchange_session, MOVED)
    need_ended(exchange_session)


def need_ended(exchange_session: ExchangeSession) -> None:
    """Raise ValidationError where a session is not over, or is closed."""
    if exchange_session.state not in ENDED:
        raise ValidationError(
            f"This session is {exchange_session.state}. What was given and drawn is put right once it is over, before "
            "it is closed; a consultant can open a closed one again."
        )


@transaction.atomic
def open_recheck(*, exchange_session: ExchangeSession, due_on: date, words: str, actor: User, at: datetime) -> FollowUp:
    """Let a check of Hb fall due: the person is in the list from that day until somebody says what came of it."""
    now = hold(exchange_session)
    if due_on < now.on:
        refuse_future(now.on, site=now.patient.site, at=at, field="due_on")
        raise ValidationError({"due_on": "The check cannot fall due before the session."})
    if FollowUp.objects.filter(exchange_session=now, kind=FollowUp.Kind.RECHECK, done_at__isnull=True).exists():
        raise ValidationError("A check of Hb after this session is open already.")
    row = FollowUp(
        patient=now.patient, exchange_session=now, kind=FollowUp.Kind.RECHECK, due_on=due_on, words=words.strip(),
        opened_at=at,
    )  # fmt: skip
    row.full_clean()
    row.save()
    finish_change(now.patient, [change_of(now.patient, "open follow-up", row)], actor=actor, at=at)
    return row
