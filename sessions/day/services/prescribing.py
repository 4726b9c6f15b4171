"""The plan of a session: made, made again, signed, and taken back when what it was made from turns out otherwise.

A signed plan is never rewritten: a correction lapses its signature in the same transaction, and a change makes a new
number.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import MOST_IN_ONE_QUERY, change_of, finish_change, local_day, need_reason, state_of
from programme.core import access, trail
from programme.core.models import EditedMeanwhile, User
from sessions.day.inputs import changed_since
from sessions.day.models import Prescription
from sessions.day.numeric.draft import PlanDraft, limit_words, passed, unbreakable
from sessions.day.numeric.entries import PLAN
from sessions.day.services.entering import keep
from sessions.day.services.moves import hold, move
from sessions.models import NOT_BEGUN, DonationUnit, ExchangeSession, Fluid, Origin, State, UnitState

NOT_EMPTY = ["inputs", "steps", "predicted", "limits", "broken"]  # empty lists are meant there
LONGEST_REASON = 400


@transaction.atomic
def plan_session(
    *, patient: Patient, on: date, draft: PlanDraft, actor: User, at: datetime, why: str = ""
) -> Prescription:
    """Plan a session for a day, with its plan 1.

    Raises: ValidationError for a day that is past, or on which the person has a session already.
    """
    if on < local_day(at, patient.site):
        raise ValidationError({"on": f"{on.isoformat()} is past: a session that is over is recorded, not planned."})
    Patient.objects.select_for_update().get(pk=patient.pk)  # of two who plan one day at once the second is told
    planned = ExchangeSession(
        patient=patient, on=on, state=State.PLANNED, origin=Origin.HERE, weight_kg=draft.weight_kg, method=draft.method
    )
    planned.full_clean()
    planned.save()
    plan = _new_plan(planned, draft, number=1, actor=actor, at=at, why=why)
    said = [change_of(patient, "plan session", planned), change_of(patient, "make plan", plan, why=plan.why)]
    finish_change(patient, said, actor=actor, at=at)
    return plan


@transaction.atomic
def make_plan(
    *, exchange_session: ExchangeSession, version: int, draft: PlanDraft, actor: User, at: datetime, why: str = ""
) -> Prescription:
    """Make the plan of a session again, with the next number; a signature on the plan before lapses.

    version: of the session as the person saw it. Raises: ValidationError where the session runs or is over;
    EditedMeanwhile.
    """
    now = hold(exchange_session)
    if now.state not in NOT_BEGUN:
        raise ValidationError(f"A session that is {now.state} has its plan; a change while it runs is signed at once.")
    if now.version != version:
        raise EditedMeanwhile("This session was changed by someone else after you opened it; look at it again.")
    number = _newest(now).number + 1 if Prescription.objects.filter(exchange_session=now).exists() else 1
    signed = Prescription.objects.in_force().filter(exchange_session=now).first()
    if signed is not None:
        _lapse(signed, now, f"Plan {number} was made. {why}".strip(), actor=actor, at=at)
    plan = _new_plan(now, draft, number=number, actor=actor, at=at, why=why)
    before = state_of(now)
    now.weight_kg, now.method = draft.weight_kg, draft.method
    now.save_changes(["weight_kg", "method"])
    said = [change_of(now.patient, "make plan", plan, why=plan.why)]
    said.append(change_of(now.patient, "change session", now, before=before, why=plan.why))
    finish_change(now.patient, said, actor=actor, at=at)
    return plan


@transaction.atomic
def authorise(
    *,
    exchange_session: ExchangeSession,
    version: int,
    number: int,
    reasons: Mapping[str, str],
    actor: User,
    at: datetime,
) -> Prescription:
    """Sign plan `number`, which is then frozen with its inputs.

    reasons: by name of limit, one for each limit that the plan passes; they are kept with the signature.
    Raises: PermissionDenied; ValidationError where the plan may not be signed as it is; EditedMeanwhile.
    """
    if not access.may(actor, "move.authorise"):
        raise PermissionDenied("move.authorise")
    now = hold(exchange_session)
    plan = _newest(now)
    if plan.number != number:
        raise ValidationError(f"Plan {plan.number} was made after the plan {number} that you saw; look at it first.")
    hindered = hindrances(plan, changed_since(plan, now.patient, now.on))
    if hindered:
        raise ValidationError(list(hindered))
    _sign(plan, reasons, signed_by=actor, at=at)
    said = change_of(now.patient, f"sign plan {number}", plan, why=_reasons_words(plan.broken))
    trail.write([said], actor=actor, at=at)
    move(exchange_session=now, name="authorise", version=version, actor=actor, at=at)
    return plan


def hindrances(plan: Prescription, changed: Sequence[str]) -> tuple[str, ...]:
    """Return why a plan cannot be signed as it is, whoever signs; nothing where a prescriber may.

    changed: what of its inputs was corrected since (`inputs.changed_since`).
    """
    found = []
    if not plan.steps or plan.units < 1:
        found.append("There is no step to sign: lay out the session first.")
    if not (plan.inputs.get("hb") or {}).get("result"):
        found.append("Hb before is only expected, not measured: enter today's Hb and make the plan again.")
    for row in unbreakable(plan.limits):
        found.append(f"{limit_words(row)}. This stop cannot be passed here; change the plan.")
    if plan.lapsed_at is not None:
        found.append("The signature on this plan has lapsed; make the plan again from what is known now.")
    if changed:
        found.append(f"{' '.join(changed)} Make the plan again.")
    return tuple(found)


@transaction.atomic
def cancel(*, exchange_session: ExchangeSession, version: int, reason: str, actor: User, at: datetime) -> None:
    """Cancel a session that has not begun; its signature, if any, no longer holds.

    Raises ValidationError while units of it are at the chair: what becomes of each is said first.
    """
    now = hold(exchange_session)
    waiting = DonationUnit.objects.filter(exchange_session=now, state__in=[UnitState.AT_CHAIR, UnitState.CHECKED])
    if faults := [
        f"Unit {unit.place} is {unit.get_state_display()}: return or discard it on the page of units, then cancel."
        for unit in waiting.order_by("place")
    ]:
        raise ValidationError(faults)
    signed = Prescription.objects.in_force().filter(exchange_session=now).first()
    move(exchange_session=now, name="cancel", version=version, actor=actor, at=at, reason=reason)
    if signed is not None:
        _void(signed, f"The session was cancelled: {reason.strip()}", actor=actor, at=at)


@transaction.atomic
def change_plan(
    *,
    exchange_session: ExchangeSession,
    draft: PlanDraft,
    signed_by: User,
    reasons: Mapping[str, str],
    actor: User,
    at: datetime,
    why: str,
) -> Prescription:
    """Replace the plan of a running session by a new number that a prescriber signs at once.

    draft: all steps from now on as they are to stand, those already done included as they were planned or done.
    signed_by: the prescriber, whom the caller has identified. actor: who entered it. reasons: as for `authorise`.
    Raises: PermissionDenied; ValidationError where the session does not run, without reason, or where no step gives a
    unit that hangs now.
    """
    now = hold(exchange_session)
    if now.state != State.RUNNING:
        raise ValidationError(f"A session that is {now.state} is not changed mid-way; make its plan again.")
    if signed_by.site_id != now.patient.site_id or not access.may(signed_by, "move.authorise"):
        raise PermissionDenied("move.authorise")
    why = need_reason(why)
    if unbreakable(draft.limits):
        raise ValidationError([f"{limit_words(row)}. This stop cannot be passed." for row in unbreakable(draft.limits)])
    if faults := _cut_loose(now, draft):
        raise ValidationError(faults)
    old = Prescription.objects.in_force().filter(exchange_session=now).first()
    said = []
    if old is not None:
        before = state_of(old)
        old.replaced_at = at
        old.save_changes(["replaced_at"])
        said.append(change_of(now.patient, f"replace plan {old.number}", old, before=before, why=why))
    plan = _new_plan(now, draft, number=_newest(now).number + 1, actor=actor, at=at, why=why)
    _sign(plan, reasons, signed_by=signed_by, at=at)
    said.append(change_of(now.patient, f"sign plan {plan.number}", plan, why=why))
    trail.write(said, actor=actor, at=at)
    body = {"number": plan.number, "replaces": None if old is None else old.number, "signed_by": signed_by.full_name}
    keep(exchange_session=now, key=f"plan-{plan.pk}", kind=PLAN, body=body, actor=actor, at=at, why=why)
    return plan


def _cut_loose(now: ExchangeSession, draft: PlanDraft) -> list[str]:
    """What is being given and has no step in the plan: nothing of it could be entered, and no other unit started."""
    planned = {place for step in draft.steps if step["fluid"] == Fluid.RED_CELLS for place in step.get("units") or ()}
    running = DonationUnit.objects.filter(exchange_session=now, state=UnitState.RUNNING).order_by("place")
    return [
        f"Unit {place} is being given and no step of the changed plan gives it. Allowed is a plan with red cells for "
        "it; or end the unit first, and then change the plan."
        for place in running.values_list("place", flat=True)
        if place not in planned
    ]


@transaction.atomic
def lapse_where_changed(patient_pks: Sequence[int], at: datetime) -> None:
    """Let the signatures of these people lapse whose plan was made from something that no longer stands.

    Called inside the transaction of every change of their data. A running session is left as it is: what was corrected
    is shown there, and people decide.
    """
    for start in range(0, len(patient_pks), MOST_IN_ONE_QUERY):
        some = patient_pks[start : start + MOST_IN_ONE_QUERY]
        signed = Prescription.objects.in_force().filter(
            exchange_session__patient__in=some, exchange_session__state=State.AUTHORISED
        )
        for plan in signed.select_related("exchange_session__patient__site"):
            exchange_session = plan.exchange_session
            changed = changed_since(plan, exchange_session.patient, exchange_session.on)
            if changed:
                _lapse(plan, exchange_session, " ".join(changed), actor=None, at=at)


def _lapse(
    plan: Prescription, exchange_session: ExchangeSession, why: str, *, actor: User | None, at: datetime
) -> None:
    why = why[:LONGEST_REASON]
    _void(plan, why, actor=actor, at=at)
    version = exchange_session.version
    move(exchange_session=exchange_session, name="lapse", version=version, actor=actor, at=at, reason=why)


def _void(plan: Prescription, why: str, *, actor: User | None, at: datetime) -> None:
    before = state_of(plan)
    plan.lapsed_at, plan.lapsed_why = at, why[:LONGEST_REASON]
    plan.save_changes(["lapsed_at", "lapsed_why"])
    said = change_of(
        plan.exchange_session.patient, f"lapse plan {plan.number}", plan, before=before, why=plan.lapsed_why
    )
    trail.write([said], actor=actor, at=at)


def _newest(exchange_session: ExchangeSession) -> Prescription:
    plan = Prescription.objects.filter(exchange_session=exchange_session).order_by("-number").first()
    if plan is None:
        raise ValidationError("This session has no plan yet; make one first.")
    plan.exchange_session = exchange_session
    return plan


def _new_plan(
    exchange_session: ExchangeSession, draft: PlanDraft, *, number: int, actor: User, at: datetime, why: str
) -> Prescription:
    plan = Prescription(
        exchange_session=exchange_session,
        number=number,
        made_at=at,
        made_by=actor,
        why=why.strip()[:LONGEST_REASON],
        **{name: getattr(draft, name) for name in PlanDraft.__dataclass_fields__},
    )
    plan.full_clean(exclude=NOT_EMPTY)
    plan.save()
    return plan


def _sign(plan: Prescription, reasons: Mapping[str, str], *, signed_by: User, at: datetime) -> None:
    broken: list[dict[str, Any]] = []
    missing = []
    for row in passed(plan.limits):
        reason = reasons.get(row["name"], "").strip()[:LONGEST_REASON]
        if not reason:
            missing.append(f"{limit_words(row)}. Give the reason for passing it.")
        broken.append({"name": row["name"], "words": limit_words(row), "reason": reason})
    if missing:
        raise ValidationError(missing)
    plan.broken, plan.authorised_by, plan.authorised_at = broken, signed_by, at
    plan.save_changes(["broken", "authorised_by", "authorised_at"])


def _reasons_words(broken: Sequence[Mapping[str, Any]]) -> str:
    return "; ".join(f"{row['words']}: {row['reason']}" for row in broken)[:LONGEST_REASON]
