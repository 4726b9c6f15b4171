"""Entries at the bedside: each is kept once, in order, with who and when, whatever happens to the network between."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import change_of
from programme.core import trail
from programme.core.models import TrailEntry, User
from sessions.day import rows
from sessions.day.models import Entry
from sessions.day.numeric.entries import (
    AFTERWARDS,
    AT_THE_CHAIR,
    MOVED,
    PAUSE,
    PLAN,
    RESUME,
    START_CHECK,
    STEP_DONE,
    TIME,
    TOTALS,
    UNDO,
    faults_of,
)
from sessions.day.numeric.machine import Totals
from sessions.day.numeric.naming import faults_among, moment_faults, named_in
from sessions.day.numeric.tally import order_at, tally
from sessions.day.queries import STARTED, entries_said, is_automated, last_number, steps_carried_out, tally_of
from sessions.day.services.moves import hold
from sessions.day.services.totals import rewrite_totals
from sessions.day.services.unit_times import faults_of_unit_times
from sessions.models import DonationUnit, ExchangeSession, Fluid, State, UnitState

WAITED_S, LONGEST_WAIT_S = 5.0, 48 * 3600.0
"""From when on an entry counts as one that waited in a browser, and for how long one may. [s]"""
ENDED = (State.FINISHED, State.ABANDONED)
"""What was really given counts though it was learnt of late; a closed session is opened again first."""
TAKEN_IN = {State.RUNNING: AT_THE_CHAIR, State.FINISHED: AFTERWARDS, State.ABANDONED: AFTERWARDS}
"""Kinds of entries by state: who was given something before it was abandoned is watched and goes home as others do."""


@transaction.atomic
def add_entry(
    *,
    exchange_session: ExchangeSession,
    key: str,
    kind: str,
    body: Mapping[str, Any] | Callable[[], Mapping[str, Any]],
    actor: User,
    at: datetime,
    waited_s: float = 0.0,
    seen: int = 0,
    why: str = "",
) -> Entry:
    """Keep one entry that the bedside page made; the same key again finds the entry it made the first time.

    body: by kind, or what reads it; an entry that was kept before is not read again, for the plan may have changed.
    waited_s: seconds it had waited in the browser, by the browser's own running clock; it happened so long before `at`.
    Raises: ValidationError with every fault, or where the session's state takes no such entry. Nothing is written then.
    """
    now = hold(exchange_session)  # first, so that of two that arrive at once the second finds what the first wrote
    kept = rows.ENTRY_OF_KEY.first(key=key)
    if kept is not None:
        return _same(kept, exchange_session, kind, actor)
    if kind not in TAKEN_IN.get(State(now.state), frozenset()) and not _is_late(
        now, kind, at - timedelta(seconds=waited_s), waited_s
    ):
        raise ValidationError(f"This session is {now.state}: '{kind.replace('_', ' ')}' was not kept.")
    refuse_of_method(now, kind)
    if kind == TIME and not why.strip():
        raise ValidationError({"why": "Say why the time is put right: the reason is kept with it."})
    said = body() if callable(body) else body
    faults = faults_of(kind, said) or _faults_here(now, kind, said, seen, actor, at)
    if faults:
        raise ValidationError(list(faults))
    said = _in_its_place(now, kind, said, at, waited_s)
    entry = keep(
        exchange_session=now, key=key, kind=kind, body=said, actor=actor, at=at, waited_s=waited_s, seen=seen, why=why
    )
    if now.state != State.RUNNING:
        rewrite_totals(exchange_session=now, actor=actor, at=at, why=why or f"entry {entry.number} came after the end")
    return entry


def _in_its_place(
    exchange_session: ExchangeSession, kind: str, body: Mapping[str, Any], at: datetime, waited_s: float
) -> Mapping[str, Any]:
    """Put a volume that waited in a browser before what was given and drawn after it, as its own time says.

    Saline before the red cells washes out more than after them, and leaves another Hb on the way.
    """
    if kind != MOVED or waited_s <= WAITED_S:
        return body
    state, happened_at = tally_of(exchange_session), at - timedelta(seconds=waited_s)
    is_last = all(one.at <= happened_at for one in state.moved)
    return body if is_last else {**body, "order": order_at(state, happened_at)}


def refuse_of_method(exchange_session: ExchangeSession, kind: str) -> None:
    """Raise ValidationError for a kind of entry that a session carried out in its way does not have."""
    if kind in (MOVED, STEP_DONE) and is_automated(exchange_session):
        raise ValidationError(
            "This session is automated: single volumes and steps are not entered. Nothing was kept; enter the totals "
            "of the machine instead."
        )
    if kind == TOTALS and not is_automated(exchange_session):
        raise ValidationError("Totals are entered for an automated session, and for no other.")


def _is_late(exchange_session: ExchangeSession, kind: str, happened_at: datetime, waited_s: float) -> bool:
    """Say whether an entry was made at the chair before the session was ended, and only reached the server later."""
    if exchange_session.state not in ENDED or kind not in AT_THE_CHAIR or waited_s <= 0:
        return False
    ends = TrailEntry.objects.filter(
        patient_key=exchange_session.patient_id,
        row_key=exchange_session.pk,
        action__in=["finish session", "abandon session"],
    ).order_by("number")
    moment = ends.values_list("at", flat=True).first()
    return moment is not None and happened_at <= moment


def keep(
    *,
    exchange_session: ExchangeSession,
    key: str,
    kind: str,
    body: Mapping[str, Any],
    actor: User,
    at: datetime,
    waited_s: float = 0.0,
    seen: int = 0,
    why: str = "",
    happened_at: datetime | None = None,
    with_it: Sequence[trail.Change] = (),
) -> Entry:
    """Write an entry of a session that is held by this transaction. Raises ValidationError with every fault.

    happened_at: where a person said when it happened; else `at`, less what it waited. with_it: what the trail says
    after the entry.
    """
    faults = faults_of(kind, body)
    if not key or len(key) > 64:
        faults += ("The entry has lost its key; enter it again.",)
    if not 0.0 <= waited_s <= LONGEST_WAIT_S:
        faults += (f"An entry waits at most {LONGEST_WAIT_S / 3600:g} h in the browser; this one says {waited_s:g} s.",)
    if faults:
        raise ValidationError(list(faults))
    last = last_number(exchange_session)
    entry = Entry(
        exchange_session=exchange_session,
        number=last + 1,
        key=key,
        kind=kind,
        body=dict(body),
        happened_at=happened_at or at - timedelta(seconds=waited_s),
        received_at=at,
        waited=waited_s > WAITED_S,
        seen=min(seen, last),
        by=actor,
        why=why.strip(),
    )
    entry.save(force_insert=True)
    said = change_of(exchange_session.patient, f"enter {kind}", entry, why=entry.why)
    trail.write([said, *with_it], actor=actor, at=at)
    return entry


def _faults_here(
    exchange_session: ExchangeSession, kind: str, body: Mapping[str, Any], seen: int, actor: User, at: datetime
) -> Sequence[str]:
    """What keeps an entry, right in itself, from standing among what this session has so far."""
    if kind == MOVED and body["in_ml"] > 0:
        return _faults_of_volume(exchange_session, body)
    if kind == TOTALS:
        return _faults_of_totals(exchange_session, Totals.of_body(body), at)
    if kind == RESUME:
        return _faults_of_going_on(exchange_session, body, seen, actor)
    if kind == STEP_DONE:
        return _faults_of_step(exchange_session, body["step"], seen, actor)
    return _faults_of_naming(exchange_session, kind, body, at) if named_in(kind, body) else ()


def _faults_of_naming(
    exchange_session: ExchangeSession, kind: str, body: Mapping[str, Any], at: datetime
) -> Sequence[str]:
    entries = entries_said(exchange_session)
    kinds = {said.number: said.kind for said in entries}
    undone = frozenset(said.body["number"] for said in entries if said.kind == UNDO)
    # Once ended, the row's start is that of the earliest entry: counted from there, each time could go further back.
    checked = (said.happened_at for said in entries if said.kind == START_CHECK)
    began = next(checked, exchange_session.started_at)
    faults = faults_among(kind, body, kinds=kinds, undone=undone, at=at, started_at=began)
    if not faults and kind in (TIME, UNDO):
        faults = faults_of_unit_times(exchange_session, kind, body, entries=entries, began=began)
    if kind == UNDO and kinds.get(body["number"]) == PAUSE and body["number"] in tally((), entries).halts:
        faults += ("A stop for a reaction is not undone: go on, and say who decided it.",)
    if kind == UNDO and kinds.get(body["number"]) == TOTALS and exchange_session.state != State.RUNNING:
        faults += ("The totals of a session that has ended are put right with a reason, not undone.",)
    return faults


def _faults_of_going_on(
    exchange_session: ExchangeSession, body: Mapping[str, Any], seen: int, actor: User
) -> Sequence[str]:
    """A stop for a reaction asks who decided to go on; said on a cut-off tablet before the stop, it meant another."""
    halt = tally((), entries_said(exchange_session)).halt
    if halt is None:
        return ()
    if not str(body.get("words", "")).strip():
        return ("The run was stopped for a reaction. Say who decided that it goes on, and why; the words are kept.",)
    if halt.number > seen and halt.by != actor.pk:
        return ("The run was stopped for a reaction after this was entered. Look at it first, and go on then.",)
    return ()


def _faults_of_step(exchange_session: ExchangeSession, step: int, seen: int, actor: User) -> Sequence[str]:
    """A step is told by its number, and a plan changed by somebody else, not seen yet, numbers them anew."""
    if step not in {planned["number"] for planned in steps_carried_out(exchange_session)}:
        return (f"Step {step} is not in the plan in force.",)
    plans = Entry.objects.filter(exchange_session=exchange_session, kind=PLAN, number__gt=seen)
    if plans.exclude(by=actor).exists():
        return ("The plan was changed after this was entered. Look at it, and say then which step is over.",)
    return ()


def _faults_of_totals(exchange_session: ExchangeSession, totals: Totals, at: datetime) -> Sequence[str]:
    """Only one entry of totals counts at a time: of two made apart, people see both and say which is right."""
    state = tally_of(exchange_session)
    if state.totals is not None:
        one = state.totals
        said = f"in {one.in_ml:.0f} mL, out {one.blood_out_ml:.0f} mL, {one.units} units"
        return (f"Totals are entered already (entry {one.number}: {said}). Undo that entry first if it is wrong.",)
    started = sum(times.started_at is not None for times in state.units.values())
    if exchange_session.state != State.RUNNING and totals.units != started:
        return (f"These totals say {totals.units} units, {started} were started before the session ended.",)
    began = state.began or exchange_session.started_at
    return [fault for moment in (totals.started_at, totals.ended_at) for fault in moment_faults(moment, at, began)]


def _faults_of_volume(exchange_session: ExchangeSession, body: Mapping[str, Any]) -> Sequence[str]:
    """Refuse red cells of which nobody said from which unit, for they could be traced to no donor, and saline of one.

    The second comes of a plan that was changed while the entry waited: what was given would be kept as another fluid.
    """
    fluid, unit = body.get("fluid"), body.get("unit")
    if fluid is None:
        steps = steps_carried_out(exchange_session)
        fluid = next((step["fluid"] for step in steps if step["number"] == body["step"]), None)
    if unit is None and fluid == Fluid.RED_CELLS:
        given = f"{body['in_ml']:.0f} mL of red cells"
        return (f"{given}: say from which unit. Nothing was kept; enter it again with the number of the unit.",)
    if unit is not None and fluid == Fluid.SALINE:
        return (
            f"{body['in_ml']:.0f} mL of unit {unit}: step {body['step']} of the plan in force is saline. Nothing was "
            "kept; look at the plan, and enter it again at the step that gives this unit.",
        )
    return () if unit is None else _faults_of_unit(exchange_session, unit)


def _faults_of_unit(exchange_session: ExchangeSession, place: int) -> Sequence[str]:
    state = DonationUnit.objects.filter(exchange_session=exchange_session, place=place).values_list("state", flat=True)
    if not state:
        return (f"Unit {place} is not recorded: check it at the chair before anything of it is entered as given.",)
    if state[0] == UnitState.CHECKED:
        return (f"Unit {place} is checked, not started: start it before anything of it is entered as given.",)
    if state[0] not in STARTED:
        words = UnitState(state[0]).label
        return (f"Unit {place} is {words}, not checked: check it, or take the emergency way with a reason.",)
    return ()


def _same(earlier: Entry, exchange_session: ExchangeSession, kind: str, actor: User) -> Entry:
    if (earlier.exchange_session_id, earlier.kind, earlier.by_id) != (exchange_session.pk, kind, actor.pk):
        raise ValidationError("This entry's key was already used for something else; enter it again.")
    return earlier
