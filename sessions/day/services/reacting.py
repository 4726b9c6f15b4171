"""Reactions: stop the run, note what was seen and done, open what is to follow, and judge it later."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import change_of, finish_change, local_day, state_of
from programme.core import access
from programme.core.models import User
from sessions.day.models import AdverseEvent, Entry, FollowUp
from sessions.day.numeric.entries import PAUSE, REACTION, STOPPED_FOR_A_REACTION
from sessions.day.numeric.reactions import KINDS, judgement_faults
from sessions.day.queries import tally_of
from sessions.day.services.entering import ENDED, keep
from sessions.day.services.moves import hold
from sessions.models import DonationUnit, ExchangeSession, HaemolysisSign, State
from sessions.services import note_haemolysis_sign

FOLLOW_UP_DAYS = 1
"""A reaction is followed up on the next day. Chosen here; not from a source."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen: kind as in `numeric.reactions.KINDS`, place of the unit or None, signs, and what was done."""

    kind: str
    at: datetime
    place: int | None = None
    signs: str = ""
    done: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """How bad it was (1 to 4, None not said), and how likely the blood caused it (words of `Imputability`)."""

    severity: int | None = None
    imputability: str = ""


@transaction.atomic
def stop_for_reaction(*, exchange_session: ExchangeSession, key: str, actor: User, at: datetime) -> Entry | None:
    """Pause the run because of a reaction; None where it is stopped for one already, or does not run.

    A run that is paused for something else is stopped too: from then on going on says who decided it. Stopping never
    fails.
    """
    now = hold(exchange_session)
    if now.state != State.RUNNING or tally_of(now).halted:
        return None
    return keep(
        exchange_session=now,
        key=f"{key}.stop"[-64:],
        kind=PAUSE,
        body={"words": STOPPED_FOR_A_REACTION},
        actor=actor,
        at=at,
    )


@transaction.atomic
def note_reaction(
    *,
    patient: Patient,
    exchange_session: ExchangeSession,
    key: str,
    seen: Seen,
    judgement: Judgement,
    actor: User,
    at: datetime,
) -> AdverseEvent:
    """Note a reaction of a session, during it or in the weeks after; a run is stopped if it still goes on.

    A follow-up is opened. Where it may be haemolysis a sign is opened with it, which bars red cells until a consultant
    has decided. Raises ValidationError by field for what cannot be.
    """
    now = hold(exchange_session)
    _check(now, patient, seen, judgement, at)
    if tally_of(now).paused_since is None:  # else what is noted holds the pause by itself
        stop_for_reaction(exchange_session=now, key=key, actor=actor, at=at)
    unit = DonationUnit.objects.filter(exchange_session=now, place=seen.place).first() if seen.place else None
    event = AdverseEvent(
        patient=patient, exchange_session=now, unit=unit, at=seen.at, kind=seen.kind, signs=seen.signs, done=seen.done,
        severity=judgement.severity, imputability=judgement.imputability, noted_by=actor, noted_at=at,
    )  # fmt: skip
    event.full_clean()
    event.save()
    kind = KINDS[seen.kind]
    follow_up = _follow_up(event, at)
    said = [change_of(patient, "note reaction", event), change_of(patient, "open follow-up", follow_up)]
    if now.state in (State.RUNNING, *ENDED):  # a closed record is opened again first
        body = {"event": event.pk, "reaction": seen.kind, "words": f"reaction: {kind.words}", "unit": seen.place}
        keep(
            exchange_session=now, key=f"{key}.reaction"[-64:], kind=REACTION, body=body, actor=actor, at=at,
            happened_at=seen.at,
        )  # fmt: skip
    if kind.may_be_haemolysis:
        _open_sign(event, actor=actor, at=at)
    finish_change(patient, said, actor=actor, at=at)
    return event


def _check(now: ExchangeSession, patient: Patient, seen: Seen, judgement: Judgement, at: datetime) -> None:
    faults: dict[str, str] = dict(judgement_faults(judgement.severity, judgement.imputability))
    if seen.kind not in KINDS:
        faults["kind"] = "Say what kind of reaction it was; 'other, or not yet known' will do."
    if seen.at > at:
        faults["when"] = "This time is still to come."
    elif now.started_at is not None and seen.at < now.started_at.replace(second=0, microsecond=0):  # typed to a minute
        faults["when"] = "This is before the session was started."
    if not seen.signs.strip():
        faults["signs"] = "Say what was seen."
    if seen.place is not None and not DonationUnit.objects.filter(exchange_session=now, place=seen.place).exists():
        faults["unit"] = f"Unit {seen.place} is not in this session."
    if now.patient_id != patient.pk:
        faults["kind"] = "This session is another person's."
    if faults:
        raise ValidationError(faults)


def _follow_up(event: AdverseEvent, at: datetime) -> FollowUp:
    session, words = event.exchange_session, KINDS[event.kind].words
    if session is None:  # every reaction that is noted here belongs to a session
        raise ValidationError("A reaction is noted with its session.")
    due = local_day(at + timedelta(days=FOLLOW_UP_DAYS), event.patient.site)
    row = FollowUp(
        patient=event.patient, exchange_session=session, kind=FollowUp.Kind.REACTION, due_on=due,
        words=f"{words}: how are they, what did the laboratory find, who judges it"[:300], opened_at=at,
    )  # fmt: skip
    row.full_clean()
    row.save()
    return row


def _open_sign(event: AdverseEvent, *, actor: User, at: datetime) -> None:
    words = f"{KINDS[event.kind].words}: {event.signs}"[:400]
    on = local_day(event.at, event.patient.site)
    note_haemolysis_sign(
        patient=event.patient, on=on, sign=HaemolysisSign.Sign.REACTION, note=words, actor=actor, at=at
    )


@transaction.atomic
def judge_reaction(
    *,
    event: AdverseEvent,
    version: int,
    kind: str,
    judgement: Judgement,
    outcome: str,
    why: str,
    actor: User,
    at: datetime,
) -> AdverseEvent:
    """Judge a reaction: kind, severity, imputability and outcome; earlier judgements stay in the trail.

    Raises: PermissionDenied for anybody but a consultant; ValidationError by field; EditedMeanwhile.
    """
    if not access.may(actor, "change.reaction_judgement"):
        raise PermissionDenied("change.reaction_judgement")
    Patient.objects.select_for_update().get(pk=event.patient_id)
    row = AdverseEvent.objects.select_for_update(of=("self",)).select_related("patient__site").get(pk=event.pk)
    faults = dict(judgement_faults(judgement.severity, judgement.imputability))
    if kind not in KINDS:
        faults["kind"] = f"{kind!r} is no kind of reaction."
    if judgement.severity is None:
        faults["severity"] = "Say how severe it was."
    if not judgement.imputability:
        faults["imputability"] = "Say how likely it is that the blood caused it; 'not assessable' will do."
    if row.judged_at is not None and not why.strip():
        faults["why"] = "It was judged before: say why it is judged anew."
    if faults:
        raise ValidationError(faults)
    before, was = state_of(row), row.kind
    row.kind, row.severity, row.imputability = kind, judgement.severity, judgement.imputability
    row.outcome, row.judged_by, row.judged_at, row.version = outcome.strip(), actor, at, version
    row.full_clean()
    row.save_changes(["kind", "severity", "imputability", "outcome", "judged_by", "judged_at"])
    if KINDS[kind].may_be_haemolysis and not KINDS[was].may_be_haemolysis:
        _open_sign(row, actor=actor, at=at)
    said = change_of(row.patient, "judge reaction", row, before=before, why=why.strip())
    finish_change(row.patient, [said], actor=actor, at=at)
    return row
