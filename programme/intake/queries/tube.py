"""What came before of one person and one moment, in whatever message: it may be the same tube."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from django.db.models import QuerySet

from patients.models import LabResult, Patient, ResultStatus
from programme.intake.models import Became, InboxItem, ReadResult
from programme.intake.numeric.arrivals import WITHDRAWN
from programme.intake.numeric.codes import BLOOD_GROUP, read_group

BY_HAND = "by hand"
Sent = tuple[str, str]
"""Source and the sender's own id of a result."""


def rows_of_moment(patient: Patient, taken_at: datetime) -> QuerySet[LabResult]:
    """Return the newest rows of what arrived of a moment, counting or held; what people measured there is left out."""
    rows = LabResult.objects.filter(patient=patient, taken_at=taken_at, superseded_by__isnull=True)
    return rows.filter(status__in=[ResultStatus.FINAL, ResultStatus.CORRECTED]).exclude(source=BY_HAND).order_by("pk")


def item_in_doubt(rows: Collection[LabResult], reason: str) -> InboxItem | None:
    """Return the first item of these rows with a reason of its own, as long as its row is held."""
    held = [row.pk for row in rows if row.held_reason]
    return InboxItem.objects.filter(result__in=held, reason=reason).order_by("pk").first() if held else None


def groups_of_moment(patient: Patient, taken_at: datetime, *, but: Collection[Sent] = ()) -> list[str]:
    """Return the blood groups, as 'O+', that arrived of a moment and were asked about, each in its newest version."""
    asked = InboxItem.objects.filter(patient=patient, reason__in=["group_differs", "group_not_recorded"])
    reads = [item.read_result for item in asked.select_related("read_result").order_by("pk")]
    sent = {(one.source, one.sent_id) for one in reads if one is not None and _is_group_of(one, taken_at)}
    newest = [_newest_version(patient.site_id, *one) for one in sorted(sent.difference(but))]
    said = [str(one.said["value_text"]) for one in newest if one is not None and one.status != WITHDRAWN]
    return [group for group in map(read_group, said) if group]


def _is_group_of(read: ReadResult, taken_at: datetime) -> bool:
    said = read.said
    return said["code"] == BLOOD_GROUP and said["taken_at"] and datetime.fromisoformat(said["taken_at"]) == taken_at


def _newest_version(site_pk: int, source: str, sent_id: str) -> ReadResult | None:
    versions = ReadResult.objects.filter(site=site_pk, source=source, sent_id=sent_id)
    return versions.exclude(became__in=[Became.SAME, Became.OVERTAKEN]).order_by("-pk").first()
