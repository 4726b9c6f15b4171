"""Ending a session: finish, abandon, close, and open again. Each is one transaction that leaves a whole record."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import change_of
from programme.core import trail
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from sessions.day.models import FollowUp
from sessions.day.numeric.after import call_day
from sessions.day.numeric.checks import OK, STOP, VOLUMES_LINE, Check, closing_checks
from sessions.day.numeric.entries import NOTE, UNIT_ENDED
from sessions.day.queries import Ending, after_results, afterwards_of, ending_of, method_of, tally_of
from sessions.day.services.entering import keep
from sessions.day.services.moves import hold, move
from sessions.day.services.totals import values_of, write_done
from sessions.models import ExchangeSession, State

CALL_WORDS = "dark urine, new pain, fever, more tired than usual"


@transaction.atomic
def finish(
    *,
    exchange_session: ExchangeSession,
    version: int,
    actor: User,
    at: datetime,
    key: str,
    reason: str = "",
    seen: Collection[str] | None = None,
) -> ExchangeSession:
    """Finish a running session: write steps, units and totals as they really were.

    version: of the session as the person saw it. key: one-time key of the form. reason: why it is finished although
    something is asked about. seen: the names of the lines that were open on the page on which that was said, None
    where there was none.
    Raises: ValidationError with every line that stops it, or that needs a reason. Nothing is written then.
    """
    now = hold(exchange_session)
    settings = site_settings(now.patient.site, at)
    ending = ending_of(now, at=at, settings=settings)
    _refuse(ending.stops)
    _need_seen(ending.checks, seen, "finish")
    for number, sentence in enumerate(although("Finished", ending.checks, reason)):
        keep(exchange_session=now, key=f"{key[:60]}-{number}", kind=NOTE, body={"words": sentence}, actor=actor, at=at)
    trail.write(write_done(now, ending.state, ending.carried_out), actor=actor, at=at)
    values = values_of(ending.carried_out) | {"method": method_of(now, ending.plan)}
    return move(exchange_session=now, name="finish", version=version, actor=actor, at=at, reason=reason, values=values)


def although(what: str, checks: tuple[Check, ...], reason: str) -> list[str]:
    """Return the note that keeps why something was done although a line was not in order; none where all are.

    Raises: ValidationError where a reason is needed and missing.
    """
    against = [check.sentence for check in checks if check.state not in (OK, STOP)]
    if not against:
        return []
    if not reason.strip():
        raise ValidationError({"reason": f"Say why it is {what.lower()} although this stands: {'; '.join(against)}."})
    return [f"{what} although: {'; '.join(against)}. Reason: {reason.strip()}"[:2000]]


def _need_seen(checks: tuple[Check, ...], seen: Collection[str] | None, what: str) -> None:
    """Raise where a line is open that was not on the page when it was opened: a reason given there is none for it."""
    if seen is None:
        return
    new = [one.sentence.rstrip(".") for one in checks if one.state not in (OK, STOP) and one.name not in seen]
    if new:
        raise ValidationError(
            {"reason": f"Since this page was opened: {'; '.join(new)}. Look at it before you {what} the session."}
        )


def _refuse(stops: tuple[Check, ...]) -> None:
    if stops:
        raise ValidationError([f"{check.sentence}." for check in stops])


@transaction.atomic
def abandon(
    *,
    exchange_session: ExchangeSession,
    version: int,
    actor: User,
    at: datetime,
    key: str,
    reason: str,
) -> ExchangeSession:
    """Give a session up; what was really given and drawn until then is kept and counts.

    A unit that is still running is ended now. Arguments and errors as in `finish`; lines that are only asked about do
    not matter, and the totals of a finished session stay as they are. A call about late reactions falls due as after
    any red cells.
    """
    now = hold(exchange_session)
    values = None
    if now.state == State.FINISHED:
        _open_late_call(now, actor=actor, at=at)
    if now.state == State.RUNNING and reason.strip():
        values = _write_abandoned(now, actor=actor, at=at, key=key, reason=reason.strip())
    return move(exchange_session=now, name="abandon", version=version, actor=actor, at=at, reason=reason, values=values)


def _write_abandoned(now: ExchangeSession, *, actor: User, at: datetime, key: str, reason: str) -> dict[str, Any]:
    """Write what was done of a running session that is given up; return the values of its own row."""
    settings = site_settings(now.patient.site, at)
    state = tally_of(now)
    for place, times in state.units.items():
        if times.started_at and not times.ended_at:
            keep(
                exchange_session=now, key=f"{key[:50]}-unit{place}", kind=UNIT_ENDED, body={"unit": place},
                actor=actor, at=at, why=f"abandoned: {reason}"[:400],
            )  # fmt: skip
    ending = ending_of(now, at=at, settings=settings)
    _refuse(tuple(check for check in ending.stops if check.name != VOLUMES_LINE))
    said = write_done(now, ending.state, ending.carried_out)
    call = late_call(now, ending, settings, at)
    said += [change_of(now.patient, "open follow-up", call)] if call else []
    trail.write(said, actor=actor, at=at)
    return values_of(ending.carried_out) | {"method": method_of(now, ending.plan)}


def checks_to_close(exchange_session: ExchangeSession, *, at: datetime) -> tuple[Check, ...]:
    """Return the lines that are looked at before a session is closed."""
    settings = site_settings(exchange_session.patient.site, at)
    ending = ending_of(exchange_session, at=at, settings=settings)
    local = at.astimezone(ZoneInfo(exchange_session.patient.site.time_zone))
    after = afterwards_of(exchange_session, ending, after_results(exchange_session), now=local, settings=settings)
    return closing_checks(after, ending.checks)


@transaction.atomic
def close(
    *, exchange_session: ExchangeSession, version: int, actor: User, at: datetime, key: str, reason: str = "",
    seen: Collection[str] | None = None,
) -> ExchangeSession:  # fmt: skip
    """Close a finished session: it becomes part of the course, and a call about late reactions falls due.

    reason: why it is closed although a line is not in order. seen and errors as in `finish`.
    """
    now = hold(exchange_session)
    checks = checks_to_close(now, at=at)
    _refuse(tuple(check for check in checks if check.state == STOP))
    _need_seen(checks, seen, "close")
    for number, sentence in enumerate(although("Closed", checks, reason)):
        keep(exchange_session=now, key=f"{key[:60]}-{number}", kind=NOTE, body={"words": sentence}, actor=actor, at=at)
    _open_late_call(now, actor=actor, at=at)
    return move(exchange_session=now, name="close", version=version, actor=actor, at=at, reason=reason)


def _open_late_call(now: ExchangeSession, *, actor: User, at: datetime) -> None:
    settings = site_settings(now.patient.site, at)
    call = late_call(now, ending_of(now, at=at, settings=settings), settings, at)
    if call:
        trail.write([change_of(now.patient, "open follow-up", call)], actor=actor, at=at)


def late_call(
    exchange_session: ExchangeSession, ending: Ending, settings: dict[str, float], at: datetime
) -> FollowUp | None:
    """Open the call about late reactions after red cells; one a session, however often it is closed.

    A unit that was started counts, though nothing of it is entered: a little is enough for a reaction.
    """
    known = FollowUp.objects.filter(exchange_session=exchange_session, kind=FollowUp.Kind.LATE_CALL)
    had_cells = ending.carried_out.red_cells_in_ml > 0 or bool(ending.carried_out.places)
    if not had_cells or known.exists():
        return None
    call = FollowUp(
        patient=exchange_session.patient,
        exchange_session=exchange_session,
        kind=FollowUp.Kind.LATE_CALL,
        due_on=call_day(exchange_session.on, int(settings["follow_up_call_days"])),
        words=CALL_WORDS,
        opened_at=at,
    )
    call.full_clean()
    call.save()
    return call


@transaction.atomic
def reopen(
    *, exchange_session: ExchangeSession, version: int, actor: User, at: datetime, reason: str
) -> ExchangeSession:
    """Open a closed session again, as a consultant decides with a reason; what it said before stays in the trail."""
    return move(
        exchange_session=hold(exchange_session), name="reopen", version=version, actor=actor, at=at, reason=reason
    )
