"""What a person decides about an item of the inbox, and taking the decision back. Nothing is deleted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import LabResult, Patient, ResultStatus
from patients.services import change_of, finish_change, need_reason, newer_result, state_of
from programme.core import trail
from programme.core.models import User
from programme.intake.models import InboxItem, ItemState, Reading, ReadingState, ReadResult
from programme.intake.numeric.arrivals import Arrival, arrival_of
from programme.intake.numeric.choices import OF_A_TUBE, PERSON, UNIT, Choice, lets_count
from programme.intake.queries.offered import offered, same_tube
from programme.intake.services.afterwards import ask_where_it_belongs, tell_of_lapsed_plans
from programme.intake.services.high_hb import tell_of_high_hb
from programme.intake.services.reading import read_message
from programme.intake.services.samples import group_doubt_of_sample, hold_row
from programme.intake.services.taking import Decided, Taking
from sessions.models import ExchangeSession
from sessions.services import pair_result, unpair_result

SETTLING = ["state", "choice", "why", "outcome", "settled_at", "settled_by"]
Outcome = dict[str, Any]


@transaction.atomic
def settle(*, item: InboxItem, version: int, choice: str, why: str, actor: User, at: datetime) -> int:
    """Do what was chosen and settle the item, and what waits of the same tube with it; return how many were settled.

    Raises ValidationError, or EditedMeanwhile where another was quicker.
    """
    _settle(item, version, choice, why, actor, at)
    others = list(same_tube(item, choice).waiting())
    for other in others:
        _settle(other, other.version, choice, why, actor, at)
    return 1 + len(others)


def _settle(item: InboxItem, version: int, choice: str, why: str, actor: User, at: datetime) -> None:
    if item.state == ItemState.SETTLED:
        raise ValidationError("This was settled meanwhile; look at it again.")
    chosen = next((one for one in offered(item) if one.code == choice), None)
    if chosen is None:
        raise ValidationError({"choice": f"{choice!r} is not one of the choices here."})
    if chosen.asks_why:
        need_reason(why)
    if lets_count(choice):
        _need_newest(item)
    before = state_of_item(item)
    _write(item, version, chosen, why, actor, at)
    item.outcome = _do(item, choice, why.strip() or chosen.words, actor, at)
    InboxItem.objects.filter(pk=item.pk).update(outcome=item.outcome)
    _to_trail(item, f"decide on arrival: {chosen.words}", before, why, actor, at)


def _need_newest(item: InboxItem) -> None:
    """Raise where a later version of the same result waits too: the earlier one would count in its place."""
    read = item.read_result
    if read is None:
        return
    waiting = InboxItem.objects.waiting().filter(
        site=item.site_id, read_result__source=read.source, read_result__sent_id=read.sent_id
    )
    later = waiting.filter(read_result__pk__gt=read.pk).select_related("read_result").order_by("-read_result").first()
    if later is None or later.read_result is None:
        return
    sent = arrival_of(later.read_result.said)
    what = " ".join(word for word in (sent.status, f"{sent.comparator}{sent.value_text}", sent.unit) if word)
    raise ValidationError(f"A later version of this result waits too ({what}). Decide that first.")


@transaction.atomic
def undo(*, item: InboxItem, version: int, actor: User, at: datetime) -> int:
    """Take a decision back, and what was decided in the same touch; return how many wait again.

    What it put into a course is taken out again. Another result of the tube of which a newer version came stays.
    """
    touched = {"settled_at": item.settled_at, "settled_by": item.settled_by}
    others = same_tube(item, item.choice).filter(state=ItemState.SETTLED, result__superseded_by=None, **touched)
    together = list(others) if item.settled_at is not None else []
    _undo(item, version, actor, at)
    for other in together:
        _undo(other, other.version, actor, at)
    return 1 + len(together)


def _undo(item: InboxItem, version: int, actor: User, at: datetime) -> None:
    if item.state != ItemState.SETTLED or item.outcome.get("final") or item.choice == "overtaken":
        raise ValidationError("This cannot be taken back here.")
    before = state_of_item(item)
    item.state, item.version = ItemState.UNDONE, version
    outcome, item.outcome = item.outcome, {}
    item.settled_at, item.settled_by = None, None
    item.save_changes([name for name in SETTLING if name not in ("choice", "why")])
    _take_back(item, outcome, actor, at)
    _to_trail(item, "take decision on arrival back", before, "", actor, at)


def state_of_item(item: InboxItem) -> dict[str, Any]:
    said = state_of(item)
    return {name: said[name] for name in ("reason", "state", "choice", "why", "outcome", "settled_at", "settled_by_id")}


def _write(item: InboxItem, version: int, chosen: Choice, why: str, actor: User, at: datetime) -> None:
    item.state, item.choice, item.why = ItemState.SETTLED, chosen.code, why.strip()[:200]
    item.settled_at, item.settled_by, item.version = at, actor, version
    item.save_changes(SETTLING)


def _to_trail(item: InboxItem, action: str, before: dict[str, Any], why: str, actor: User, at: datetime) -> None:
    entry = trail.Change(
        site_key=item.site_id,
        patient_key=item.patient_id,
        action=action[:60],
        row_kind=item._meta.label,
        row_key=item.pk,
        row_version=item.version,
        why=why.strip(),
        before=before,
        after=state_of_item(item),
    )
    trail.write([entry], actor=actor, at=at)


def _do(item: InboxItem, choice: str, why: str, actor: User, at: datetime) -> Outcome:
    """Do what was chosen and return what must be taken back if it is undone."""
    if choice.startswith(PERSON):
        patient = Patient.objects.select_for_update(of=("self",)).select_related("site").get(
            pk=int(choice.removeprefix(PERSON)), site_id=item.site_id
        )  # fmt: skip
        return _file(item, lambda said: said, Decided(patient=patient, again=True), actor, at)
    if choice.startswith(UNIT):
        unit = choice.removeprefix(UNIT)
        return _file(item, lambda said: replace(said, unit=unit), Decided(again=True), actor, at)
    if choice == "newest":
        return _file(item, lambda said: said, Decided(again=True), actor, at)
    if choice == "read_again":
        if item.read_result is None:
            return _read_whole_again(item, at)
        return _file(item, lambda said: said, Decided(again=True), actor, at)
    if choice == "accept":
        return _accept(item, why, actor, at)
    if choice in ("before", "after"):
        return _pair(item, choice, actor, at)
    if choice == "withdraw":
        return _withdraw(item, LabResult.objects.get(pk=item.about["old"]), why, actor, at)
    return {}


def _file(
    item: InboxItem, change: Callable[[Arrival], Arrival], decided: Decided, actor: User, at: datetime
) -> Outcome:
    """Take the arrival again as decided. What is in doubt about it then comes back as an item of its own."""
    read = item.read_result
    if read is None:
        raise ValidationError("Nothing could be read from this message.")
    taking = Taking(item.raw, at)
    sent = change(arrival_of(read.said))
    all_said = ReadResult.objects.filter(raw=item.raw, result=None).exclude(pk=read.pk).order_by("number")
    others = [arrival_of(said) for said in all_said.values_list("said", flat=True)]
    of_sample = [one for one in others if (one.reference, one.taken_at) == (sent.reference, sent.taken_at)]
    taking.look_at_samples([sent, *of_sample], decided.patient)
    outcome = taking.one(sent, decided)
    if outcome.reason == item.reason and outcome.result is None:
        raise ValidationError(f"It still cannot be filed: {outcome.sentence}")
    read.became = outcome.became
    read.result = outcome.result or read.result
    read.save(update_fields=["became", "result"])
    taking.tell(read, outcome)
    taking.hold_the_rest()
    taking.finish(actor=actor)
    return {} if outcome.result is None else {"result": outcome.result.pk}


def _read_whole_again(item: InboxItem, at: datetime) -> Outcome:
    Reading.objects.filter(raw=item.raw, state=ReadingState.UNREADABLE).update(
        state=ReadingState.WAITING, attempt=0, lease_until=None, fault=""
    )
    read_message(item.raw_id, at=at)
    return {"final": True}


def _accept(item: InboxItem, why: str, actor: User, at: datetime) -> Outcome:
    row = _held_row(item)
    _need_sound_sample(item, row)
    held = row.held_reason
    _hold(row, "", f"accept held result: {why}", actor, at)
    ask_where_it_belongs(item.raw, [row], at)
    tell_of_high_hb(item.raw, [row], at)
    tell_of_lapsed_plans(item.raw, [row.patient], at)
    return {"held": held}


def _held_row(item: InboxItem) -> LabResult:
    row = LabResult.objects.filter(pk=item.result_id or 0).select_related("patient__site").first()
    if row is None or LabResult.objects.filter(supersedes=row).exists():
        raise ValidationError("A newer version of this result came meanwhile; this one cannot count any more.")
    return row


def _hold(row: LabResult, held_reason: str, why: str, actor: User, at: datetime) -> None:
    finish_change(row.patient, [hold_row(row, held_reason, why=why)], actor=actor, at=at)


def _need_sound_sample(item: InboxItem, row: LabResult) -> None:
    """Raise where a value would count by itself while its tube is in doubt."""
    group = group_doubt_of_sample(row.patient, row.taken_at)
    if group is not None:
        words = "It can count once the recorded group was put right, or the laboratory has corrected its own."
        raise ValidationError(f"{group.sentence} {words}")
    if item.reason in OF_A_TUBE:
        return
    tube = InboxItem.objects.waiting().filter(patient=row.patient, result__taken_at=row.taken_at, reason__in=OF_A_TUBE)
    if tube.exists():
        raise ValidationError("Other results of this sample wait because the sample is in doubt. Decide those first.")


def _pair(item: InboxItem, position: str, actor: User, at: datetime) -> Outcome:
    row = _held_row(item)
    exchange_session = ExchangeSession.objects.get(pk=item.about["session"], patient=row.patient)
    pair_result(result=row, exchange_session=exchange_session, position=position, actor=actor, at=at)
    tell_of_high_hb(item.raw, [row], at)
    return {"paired": row.pk}


def _withdraw(item: InboxItem, row: LabResult, why: str, actor: User, at: datetime) -> Outcome:
    newer = _newer(row, ResultStatus.WITHDRAWN, row.value, why, actor, at)
    return {"withdrawn": newer.pk}


def _newer(row: LabResult, status: ResultStatus, value: float, why: str, actor: User, at: datetime) -> LabResult:
    newer = newer_result(row, status=status, value=value, why=why[:200], at=at)
    newer.full_clean()
    newer.save()
    entry = change_of(row.patient, f"{status} result", newer, why=newer.why)
    finish_change(row.patient, [entry], actor=actor, at=at)
    return newer


def _take_back(item: InboxItem, outcome: Outcome, actor: User, at: datetime) -> None:
    if "held" in outcome:
        _hold(_held_row(item), outcome["held"], "the decision was taken back", actor, at)
    elif "paired" in outcome:
        unpair_result(result=LabResult.objects.get(pk=outcome["paired"]), actor=actor, at=at)
    elif "withdrawn" in outcome or "result" in outcome:
        _put_back(item, outcome.get("withdrawn") or outcome["result"], actor, at)


def _put_back(item: InboxItem, key: int, actor: User, at: datetime) -> None:
    """Let the row count that counted before; where there was none, withdraw what the decision filed."""
    row = LabResult.objects.select_related("patient__site", "supersedes").get(pk=key)
    if LabResult.objects.filter(supersedes=row).exists():
        raise ValidationError("A newer version of this result came meanwhile; put that right instead.")
    old, why = row.supersedes, "the decision was taken back"
    if old is None or old.status in (ResultStatus.WITHDRAWN, ResultStatus.PRELIMINARY):
        _newer(row, ResultStatus.WITHDRAWN, row.value, why, actor, at)
        return
    newer = newer_result(row, status=ResultStatus.CORRECTED, value=old.value, why=why, at=at, taken_at=old.taken_at)
    newer.method, newer.time_known, newer.held_reason = old.method, old.time_known, old.held_reason
    newer.full_clean()
    newer.save()
    finish_change(row.patient, [change_of(row.patient, "corrected result", newer, why=why)], actor=actor, at=at)
