"""The codes of a unit's own laboratory: dated, with a reason, never rewritten."""

from __future__ import annotations

from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import local_day, need_reason, state_of
from programme.core import trail
from programme.core.models import Site, User
from programme.intake.models import LocalCode
from programme.intake.numeric.codes import ALLOWED, BY_ANALYTE


@transaction.atomic
def add_code(
    *, site: Site, code: str, analyte: str, unit: str, reason: str, actor: User, at: datetime
) -> LocalCode:  # fmt: skip
    """Let a code of the unit's laboratory stand for an analyte from today on."""
    quantity = BY_ANALYTE.get(analyte)
    if quantity is None:
        raise ValidationError({"analyte": f"Allowed is {', '.join(row.name for row in BY_ANALYTE.values())}."})
    if unit and unit not in quantity.units:
        raise ValidationError({"unit": f"{quantity.name}: allowed is {', '.join(quantity.units)}."})
    if code.strip() in ALLOWED:
        raise ValidationError({"code": "This is a LOINC code, and stands for what LOINC says."})
    row = LocalCode(
        site=site, code=code.strip(), analyte=analyte, unit=unit, since=local_day(at, site),
        reason=need_reason(reason, "reason"), by=actor,
    )  # fmt: skip
    row.full_clean()
    row.save()
    _to_trail(row, "add local code", None, actor, at)
    return row


@transaction.atomic
def end_code(*, row: LocalCode, version: int, on: date, actor: User, at: datetime) -> LocalCode:
    """Let a code stand for nothing from a day on; what was filed by it stays."""
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
