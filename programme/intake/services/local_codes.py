"""The codes of a unit's own laboratory: dated, with a reason, never rewritten."""

from __future__ import annotations

from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import local_day, need_reason, state_of
from programme.core import trail
from programme.core.models import Site, User
from programme.intake.models import InboxItem, LocalCode
from programme.intake.numeric.codes import BY_ANALYTE, never_ignored
from programme.intake.services.deciding import settle


@transaction.atomic
def add_code(
    *, site: Site, code: str, analyte: str, unit: str, reason: str, actor: User, at: datetime
) -> LocalCode:  # fmt: skip
    """Let a code of the unit's laboratory stand for an analyte from today on, or for nothing: analyte ''.

    What waits under a code that is ignored is left out in the same transaction, each item with its own undo.
    """
    _check(code.strip(), analyte, unit)
    row = LocalCode(
        site=site, code=code.strip(), analyte=analyte, unit=unit, since=local_day(at, site),
        reason=need_reason(reason, "reason"), by=actor,
    )  # fmt: skip
    row.full_clean()
    row.save()
    _to_trail(row, "add local code" if analyte else "ignore local code", None, actor, at)
    if not analyte:
        _leave_out_what_waits(row, actor, at)
    return row


def _check(code: str, analyte: str, unit: str) -> None:
    quantity = BY_ANALYTE.get(analyte)
    if analyte and quantity is None:
        raise ValidationError({"analyte": f"Allowed is {', '.join(row.name for row in BY_ANALYTE.values())}."})
    if unit and (quantity is None or unit not in quantity.units):
        allowed = "none, where a code is ignored" if quantity is None else ", ".join(quantity.units)
        raise ValidationError({"unit": f"Allowed is {allowed}."})
    if never_ignored(code):
        raise ValidationError({"code": "This is a LOINC code, and stands for what LOINC says."})


def _leave_out_what_waits(row: LocalCode, actor: User, at: datetime) -> None:
    waiting = InboxItem.objects.waiting().filter(site=row.site, reason="unknown_code", read_result__said__code=row.code)
    for item in waiting.select_related("site", "raw", "read_result", "patient", "result").order_by("pk"):
        settle(item=item, version=item.version, choice="leave_out", why=f"{row.code} is ignored from today on",
               actor=actor, at=at)  # fmt: skip


@transaction.atomic
def end_code(*, row: LocalCode, version: int, on: date, actor: User, at: datetime) -> LocalCode:
    """Let a code that stood for something, or was ignored, be unknown from a day on; what was filed by it stays."""
    if row.until is not None:
        raise ValidationError("This code was ended already.")
    before = state_of(row)
    row.until, row.version = max(on, row.since), version
    row.save_changes(["until"])
    _to_trail(row, "end local code", before, actor, at)
    return row


def _to_trail(row: LocalCode, action: str, before: dict[str, object] | None, actor: User, at: datetime) -> None:
    entry = trail.Change(
        site_key=row.site_id, patient_key=None, action=action, row_kind=row._meta.label, row_key=row.pk,
        row_version=row.version, why=row.reason, before=before, after=state_of(row),
    )  # fmt: skip
    trail.write([entry], actor=actor, at=at)
