"""What still holds a person's reference once their record is erased: looked for in every table, and told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from django.apps import apps
from django.db.models import CharField, Field, JSONField, Model, Q, TextField
from django.db.models.functions import Cast

from programme.core.models import Site
from programme.custody.numeric.forgetting import names
from programme.custody.queries.held import HELD, LEFT_OUT, OF_NOBODY
from programme.intake.models import RawMessage, ReadingState

TABLES = tuple(dict.fromkeys([*(held.table for held in HELD), *LEFT_OUT, *OF_NOBODY]))
TITLES = {held.table: held.title for held in HELD} | {"core.TrailEntry": "entries of the trail"}


def still_named(reference: str, site: Site) -> list[str]:
    """Return a sentence for each table of which rows of the unit still hold the reference, with how many.

    Every column of text is looked through, which takes a look at each row; words that people typed are found so.
    """
    found = []
    for table in TABLES:
        model = apps.get_model(table)
        count = sum(1 for words in _texts(model, reference, site) if names(words, [reference]))
        if count:
            found.append(f"Rows about others or the unit that still hold the reference: {_title(model)}, {count}.")
    return found


def _title(model: type[Model]) -> str:
    return TITLES.get(model._meta.label, str(model._meta.verbose_name_plural))


def unread_that_name(reference: str, site: Site) -> int:
    """Return how many messages that were never read hold the reference somewhere."""
    unread = RawMessage.objects.filter(site=site).exclude(reading__state=ReadingState.READ)
    bodies = unread.values_list("body", flat=True).iterator(chunk_size=100)
    return sum(1 for body in bodies if names(bytes(body).decode(errors="replace"), [reference]))


def _texts(model: type[Model], reference: str, site: Site) -> Iterator[str]:
    """Yield the words of each row in which the reference may stand, of the unit where the table says whose it is."""
    columns = [field for field in model._meta.concrete_fields if _is_text(field)]
    if not columns:
        return
    rows: Any = model._default_manager.annotate(**{f"{one.name}_words": Cast(one.name, TextField()) for one in columns})
    asked = Q()
    for one in columns:
        for form in {reference, json.dumps(reference)[1:-1]}:
            asked |= Q(**{f"{one.name}_words__contains": form})
    if any(field.name == "site" for field in model._meta.concrete_fields):
        rows = rows.filter(site=site)
    for said in rows.filter(asked).values_list(*(f"{one.name}_words" for one in columns)).iterator(chunk_size=500):
        yield " ".join(filter(None, said))


def _is_text(field: Field[Any, Any]) -> bool:
    return isinstance(field, CharField | TextField | JSONField) and not field.choices
