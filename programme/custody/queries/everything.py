"""Everything stored of one person, read table by table: a query for each table, however long the record."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db.models import Field as ModelField
from django.db.models import ForeignKey, Model, Q, QuerySet

from patients.models import Patient
from programme.custody.numeric.rows import Field, Row, StoredPerson
from programme.custody.queries.held import HELD, NAMES_OTHERS, NOT_GIVEN, Held
from programme.intake.models import InboxItem, ReadResult
from programme.intake.numeric.matching import ABOUT_TWO

NAMED = {"core.User": "full_name", "core.Site": "name", "booking.Chair": "name"}
"""Tables of which a name is told, not the row."""
WITHHELD = "not given: it may name somebody else"
Names = Mapping[str, Mapping[int, str]]


def everything_of(patient: Patient) -> StoredPerson:
    """Return all rows of a person; call it in a transaction, so that they are of one moment."""
    zone = ZoneInfo(patient.site.time_zone)
    found = [(held, list(rows_of(held, patient))) for held in HELD]
    names = _names(found, patient)
    rows = tuple(
        _row(held.table, one, names, zone, _withheld(one, patient)) for held, of_table in found for one in of_table
    )
    return StoredPerson(
        site_code=patient.site.code, site_name=patient.site.name, zone=patient.site.time_zone,
        patient_ref=patient.patient_ref, shown_name=patient.shown_name, person=rows[0], rows=rows,
        titles={held.table: held.title for held in HELD},
    )  # fmt: skip


def rows_of(held: Held, patient: Patient) -> QuerySet[Model]:
    """Return the rows of one table that are a person's."""
    theirs = Q()
    for path in held.paths:
        theirs |= Q(**{path: patient.pk})
    if held.unless:
        theirs &= Q(**{f"{held.unless}__isnull": True}) | Q(**{held.unless: patient.pk})
    model = apps.get_model(held.table)
    keys = model._default_manager.filter(theirs).order_by().values("pk")
    rows = model._default_manager.filter(pk__in=keys).order_by("pk")
    found: QuerySet[Model] = rows.select_related("read_result") if model is InboxItem else rows
    return found


def _names(found: list[tuple[Held, list[Model]]], patient: Patient) -> Names:
    """Return the names of the users, chairs and units that the rows point to."""
    asked: dict[str, set[int]] = {label: set() for label in NAMED}
    for held, rows in found:
        for field in apps.get_model(held.table)._meta.concrete_fields:
            label = _target(field)
            if label in asked:
                asked[label] |= {getattr(row, field.attname) for row in rows} - {None}
    return {
        label: dict(apps.get_model(label)._default_manager.filter(pk__in=keys).values_list("pk", NAMED[label]))
        for label, keys in asked.items()
    }


def _withheld(row: Model, patient: Patient) -> tuple[str, ...]:
    """Return the fields of a row that may name somebody else: what arrived was about two people, or for another one."""
    read = row.read_result if isinstance(row, InboxItem) else row if isinstance(row, ReadResult) else None
    if read is None:
        return ()
    own_birth_date = "" if patient.birth_date is None else patient.birth_date.isoformat()
    sent = read.said.get("reference"), read.said.get("birth_date", "")
    meant = sent in ((patient.patient_ref, ""), (patient.patient_ref, own_birth_date))
    about_two = isinstance(row, InboxItem) and row.reason in ABOUT_TWO
    return () if meant and not about_two else NAMES_OTHERS[row._meta.label]


def _row(table: str, row: Model, names: Names, zone: ZoneInfo, withheld: tuple[str, ...]) -> Row:
    fields = [
        Field(field.name, WITHHELD, WITHHELD) if field.name in withheld else _field(row, field, names, zone)
        for field in row._meta.concrete_fields
        if not field.primary_key and (table, field.name) not in NOT_GIVEN
    ]
    return Row(table, row.pk, tuple(fields))


def _field(row: Model, field: ModelField[Any, Any], names: Names, zone: ZoneInfo) -> Field:
    value = getattr(row, field.attname)
    label = _target(field)
    if label and value is not None:
        shown = names.get(label, {}).get(value, f"number {value}")
        return Field(field.name, value, shown, (label, value))
    return Field(field.name, value, _shown(row, field, value, zone))


def _shown(row: Model, field: ModelField[Any, Any], value: Any, zone: ZoneInfo) -> str:
    if value is None or value == "":
        return ""
    if field.choices:
        return str(getattr(row, f"get_{field.name}_display")())
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return f"{value.astimezone(zone):%-d %b %Y, %H:%M}"
    if isinstance(value, date):
        return f"{value:%-d %b %Y}"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, dict):
        return ", ".join(f"{name} {_in_words(said)}" for name, said in value.items() if said not in (None, "", []))
    return _in_words(value)


def _in_words(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(_in_words(one) for one in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _target(field: ModelField[Any, Any]) -> str:
    return str(field.related_model._meta.label) if isinstance(field, ForeignKey) else ""
