"""Starting a session: the checks at the chair, the observations before, and the move, in one transaction."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction

from patients.services import local_day
from programme.core import access
from programme.core.models import User
from sessions.day.models import Prescription
from sessions.day.numeric.entries import OBSERVATION, START_CHECK
from sessions.day.numeric.starting import Finding
from sessions.day.services.entering import keep
from sessions.day.services.moves import hold, move
from sessions.models import ExchangeSession


@transaction.atomic
def start_session(
    *,
    exchange_session: ExchangeSession,
    version: int,
    key: str,
    answers: Mapping[str, Any],
    observation: Mapping[str, Any],
    observed_at: datetime,
    found: tuple[Finding, ...],
    actor: User,
    at: datetime,
    decided_by: User | None = None,
    reason: str = "",
) -> ExchangeSession:
    """Start the session with what was asked, what was found in the way, and who let it go on why.

    version: of the session as the person saw it. answers: as asked, kept word for word. found: what stands in the way
    (`numeric.starting.findings`). decided_by, reason: the prescriber who let it go on where that is possible.
    Raises: PermissionDenied; ValidationError where something found forbids the start, or no plan is in force, or the
        session is not authorised; EditedMeanwhile. Nothing is written then.
    """
    now = hold(exchange_session)
    if now.on != local_day(at, now.patient.site):
        raise ValidationError(
            f"This session is planned for {now.on.day} {now.on:%b %Y}, not for today: every figure of the course "
            "counts from its day. Cancel it with the reason, and plan one for today."
        )
    plan = Prescription.objects.filter(exchange_session=now).in_force().first()
    if plan is None:
        raise ValidationError("No signed plan is in force for this session: it must be authorised before the start.")
    _check(found, decided_by, reason, site_id=now.patient.site_id)
    said = {
        "answers": dict(answers),
        "found": [finding.words for finding in found],
        "plan": plan.number,
        "decided_by": decided_by.pk if decided_by and found else None,
        "decided_by_name": decided_by.full_name if decided_by and found else "",
    }
    why = reason if found else ""
    keep(exchange_session=now, key=f"{key}.check"[-64:], kind=START_CHECK, body=said, actor=actor, at=at, why=why)
    keep(
        exchange_session=now,
        key=f"{key}.before"[-64:],
        kind=OBSERVATION,
        body={**observation, "moment": "before"},
        actor=actor,
        at=at,
        happened_at=observed_at,
    )
    return move(exchange_session=now, name="start", version=version, actor=actor, at=at, values={"started_at": at})


def _check(found: tuple[Finding, ...], decided_by: User | None, reason: str, *, site_id: int) -> None:
    stops = [finding.words for finding in found if not finding.may_go_on]
    if stops:
        raise ValidationError(stops)
    if not found:
        return
    if decided_by is None or not reason.strip():
        words = " ".join(finding.words for finding in found)
        raise ValidationError(f"{words} To go on, name the prescriber who decided and the reason.")
    if decided_by.site_id != site_id or not access.may(decided_by, "move.authorise"):
        raise PermissionDenied("move.authorise")
