"""Erasing a person's record once two people have signed it and the wait is over: all of it in one transaction.

Of what is about several people at once only this person is taken out. What has to stay is counted and told.
"""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from urllib.parse import quote

from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.models import Model, Q, QuerySet

from patients.models import Patient
from programme.booking.models import Proposal
from programme.core import seals, trail
from programme.core.models import EraseKind, Erasure, Receipt, User
from programme.custody.numeric.forgetting import names, without
from programme.custody.queries.erasing import against, digest_of, items_of, results_read_of
from programme.custody.queries.everything import rows_of
from programme.custody.queries.held import HELD
from programme.custody.queries.leftover import still_named, unread_that_name
from programme.intake.models import InboxItem, RawMessage, Reading, ReadingState, ReadResult
from programme.planning.models import ReplanChunk
from programme.supply.models import DemandForecast, OrderEvent

ALSO_NAMED = "It also named somebody whose record was erased."
MESSAGES = frozenset({"intake.ReadResult", "intake.InboxItem"})
"""Tables whose rows may be about two people, so that they are not deleted as the others are."""


@transaction.atomic
def erase(*, erasure: Erasure, actor: User | None, at: datetime) -> Erasure:
    """Delete all that is stored of the person and write one entry of the unit's trail; done before, it changes nothing.

    actor: who pressed the button, None for the nightly run. Raises ValidationError where it is not due, and with
    everything that stands against it by now; nothing is deleted then.
    """
    people = Patient.objects.select_for_update(of=("self",)).select_related("site")
    patient = people.filter(pk=erasure.patient_key, site_id=erasure.site_id).first()
    row = Erasure.objects.select_for_update(of=("self",)).select_related("site", "asked_by", "agreed_by").get(
        pk=erasure.pk
    )  # fmt: skip
    if row.done_at is not None:
        return row
    if patient is None or not row.is_due(at):
        raise ValidationError("This is not due: another person must agree, and the wait must be over.")
    refused = (*against(patient, row.kind, at), *seals.faults_of(patient.pk, row.site_id))
    if refused:
        raise ValidationError(" ".join(["This record cannot be erased now.", *refused]))
    _overwrite_on_disk()
    ends = trail.ends_of(set(trail.chains_of(patient.pk)))
    reference = patient.patient_ref
    row.rows = dict(_delete(patient, row))
    row.left = [*row.left, *still_named(reference, row.site)]
    row.reference_digest = digest_of(reference, row.site.code)
    row.done_by, row.done_at = actor, at
    row.save_changes(["rows", "left", "reference_digest", "done_by", "done_at"])
    trail.write([_entry(row, ends)], actor=actor, at=at)
    return row


def _entry(row: Erasure, ends: dict[str, trail.End]) -> trail.Change:
    """Return the one entry that stays: who, why, how much, and how the erased chains ended; not whose."""
    asked, agreed = row.asked_by, row.agreed_by
    after = {
        "asked_by": asked.full_name,
        "asked_at": row.asked_at.isoformat(),
        "agreed_by": agreed.full_name if agreed else "",
        "agreed_at": row.agreed_at.isoformat() if row.agreed_at else "",
        "reference": row.reference_digest,
        "rows": row.rows,
        "left": row.left,
        "ends": {chain: list(end) for chain, end in ends.items()},
    }
    why = f"{EraseKind(row.kind).label}: {row.reason}"[:400]
    return trail.Change(row.site_id, None, seals.ERASED, row._meta.label, row.pk, row.version, why=why, after=after)


def _overwrite_on_disk() -> None:
    """SQLite leaves what is deleted in the file until the place is used again, unless it is told to write over it."""
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA secure_delete = ON")


def _delete(patient: Patient, row: Erasure) -> Counter[str]:
    gone: Counter[str] = Counter()
    _take_out_of_what_is_of_many(patient)
    gone["core.Receipt"] = _gone(Receipt.objects.filter(pk__in=_receipts_of(patient)))
    gone += _delete_messages(patient, row)
    for held in reversed(HELD):  # a row comes after what it points to
        if held.table not in MESSAGES:
            gone[held.table] = _gone(rows_of(held, patient))
    return +gone


def _gone(rows: QuerySet[Model]) -> int:
    """Delete rows as they are, without looking for others that point to them: the database checks that at the end."""
    return rows._raw_delete(rows.db) or 0


def _receipts_of(patient: Patient) -> list[int]:
    """Return the keys of one-time keys whose form led to a page of this person."""
    there = quote(patient.patient_ref)
    some = Receipt.objects.filter(actor__site_id=patient.site_id, outcome__contains=there)
    return [key for key, outcome in some.values_list("pk", "outcome") if names(outcome, [there])]


def _delete_messages(patient: Patient, row: Erasure) -> Counter[str]:
    """Delete what was read about the person and the messages about nobody else, whose keys the guard reads."""
    items, read = items_of(patient), results_read_of(patient)
    others_result = Q(result__isnull=False) & ~Q(result__patient=patient)
    elsewhere = (
        others_result
        | Q(patient__isnull=False) & ~Q(patient=patient)
        | Q(read_result__result__isnull=False) & ~Q(read_result__result__patient=patient)
    )
    touched = {*items.values_list("raw_id", flat=True), *read.values_list("raw_id", flat=True)}
    shared, kept = _keys(items.filter(elsewhere)), _keys(read.filter(others_result))
    own_items, own_read = _keys(items) - shared, _keys(read) - kept
    _leave_to_others(patient, shared, kept, own_read)
    gone = Counter({
        "intake.InboxItem": _gone(InboxItem.objects.filter(pk__in=own_items)),
        "intake.ReadResult": _gone(ReadResult.objects.filter(pk__in=own_read)),
    })  # fmt: skip
    alone = RawMessage.objects.filter(pk__in=touched, read_results=None, inbox_items=None)
    row.raw_keys = sorted(alone.exclude(reading__state=ReadingState.WAITING).values_list("pk", flat=True))
    Erasure.objects.filter(pk=row.pk).update(raw_keys=row.raw_keys)
    gone["intake.Reading"] = _gone(Reading.objects.filter(raw__in=row.raw_keys))
    gone["intake.RawMessage"] = _gone(RawMessage.objects.filter(pk__in=row.raw_keys))
    row.left = _messages_left(len(touched) - len(row.raw_keys), unread_that_name(patient.patient_ref, row.site))
    return gone


def _keys(rows: QuerySet[Model]) -> set[int]:
    return set(rows.values_list("pk", flat=True))


def _messages_left(of_several: int, unread: int) -> list[str]:
    """Say which messages still hold something of the person."""
    said = []
    if of_several:
        said.append(f"Messages about other people too, which go with the last of these: {of_several}.")
    if unread:
        said.append(f"Messages that were never read and hold the reference: {unread}.")
    return said


def _leave_to_others(patient: Patient, items: set[int], read: set[int], going: set[int]) -> None:
    """Take the person out of what is about somebody else too. going: what was read and is about to be deleted."""
    for item in InboxItem.objects.filter(pk__in=items).select_related("result"):
        item.patient_id = None if item.patient_id == patient.pk else item.patient_id
        item.result = None if item.result is not None and item.result.patient_id == patient.pk else item.result
        item.read_result_id = None if item.read_result_id in going else item.read_result_id
        item.sentence, item.about, item.outcome = ALSO_NAMED, {}, {}
        item.save(update_fields=["patient", "result", "read_result", "sentence", "about", "outcome"])
    for one in ReadResult.objects.filter(pk__in=read):
        if one.said.get("reference") == patient.patient_ref:
            one.said = {**one.said, "reference": "", "birth_date": ""}
            one.save(update_fields=["said"])


def _take_out_of_what_is_of_many(patient: Patient) -> None:
    """Take the person out of proposals, forecasts of demand, shares of the nightly run and events of others' orders."""
    reference, name = patient.patient_ref, patient.shown_name if patient.family_name else ""
    for proposal in Proposal.objects.filter(site_id=patient.site_id):
        _rewrite(proposal, ("changed", "found", "accepted", "trouble"), reference, name)
    for demand in DemandForecast.objects.filter(site_id=patient.site_id):
        _rewrite(demand, ("left_out",), reference, name)
    for event in OrderEvent.objects.filter(order__site_id=patient.site_id, words__contains=reference).exclude(
        order__patient=patient
    ):
        _rewrite(event, ("words",), reference, name)
    for chunk in ReplanChunk.objects.filter(run__site_id=patient.site_id):
        if patient.pk in chunk.patient_keys:
            chunk.patient_keys = [key for key in chunk.patient_keys if key != patient.pk]
            chunk.save(update_fields=["patient_keys"])


def _rewrite(row: Model, fields: tuple[str, ...], reference: str, name: str) -> None:
    """Write `row` without the person, if it holds anything of them."""
    now = {field: without(getattr(row, field), reference, name) for field in fields}
    changed = [field for field in fields if now[field] != getattr(row, field)]
    for field in changed:
        setattr(row, field, now[field])
    if changed:
        row.save(update_fields=changed)
