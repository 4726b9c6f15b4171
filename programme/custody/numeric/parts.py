"""Parts of FHIR R4 resources (HL7, 2019, version 4.0.1, hl7.org/fhir/R4) made from plain values.

What a resource has no element for is never lost: `stored` puts every field of the row beside it, in an extension of our
own. Its addresses are urns, so nothing has to be fetched to read them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from programme.custody.numeric.rows import Field, Place, Row

Json = dict[str, Any]
STORED = "urn:ebbline:stored"
LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"
GREATEST_INTEGER = 2**31 - 1
"""A FHIR integer has 32 bits (R4, Data Types)."""
Urn = Callable[[Place], str | None]
"""Gives the address of a row within the bundle, None for one that is not in it."""


def urn_of(site_code: str, place: Place) -> str:
    """Return the address of a row in a bundle: the same in each export of the same unit."""
    return f"urn:uuid:{uuid5(NAMESPACE_URL, f'urn:ebbline:{site_code}:{place[0]}:{place[1]}')}"


def id_of(place: Place) -> str:
    """Return the id of a resource: letters, digits, '-' and '.' only (R4, id)."""
    return f"{place[0]}-{place[1]}".replace("_", "-")


def words(text: str) -> Json:
    """Return a CodeableConcept in words, where no code of an open standard was read."""
    return {"text": text}


def loinc(code: str, text: str) -> Json:
    """Return a CodeableConcept of one LOINC code."""
    return {"coding": [{"system": LOINC, "code": code, "display": text}], "text": text}


def quantity(value: float, unit: str, comparator: str = "") -> Json:
    """Return a Quantity in a UCUM unit. comparator: '', '<', '<=', '>=' or '>'."""
    said: Json = {"value": value, "unit": unit, "system": UCUM, "code": unit}
    return said | ({"comparator": comparator} if comparator else {})


def period(start: Any, end: Any) -> Json:
    """Return a Period of two days or moments; a part that is not known is left out."""
    return {name: at.isoformat() for name, at in (("start", start), ("end", end)) if at is not None}


def notes(*texts: str) -> Json:
    """Return `note` with an Annotation for each text that says something, nothing where none does."""
    said = [{"text": text} for text in texts if text.strip()]
    return {"note": said} if said else {}


def stored(row: Row, urn: Urn) -> Json:
    """Return the extension that holds every stored field of a row under its own name; empty ones are left out."""
    said = [{"url": "table", "valueString": row.table}, {"url": "key", "valueString": str(row.key)}]
    for field in row.fields:
        value = _value(field, urn)
        if value:
            said.append({"url": field.name, **value})
    return {"url": STORED, "extension": said}


def _value(field: Field, urn: Urn) -> Json:
    if field.value is None or (isinstance(field.value, str) and not field.value.strip()):
        return {}
    if field.points_to is not None:
        address = urn(field.points_to)
        return {"valueReference": {"reference": address} if address else {"display": field.shown}}
    return _plain(field.value)


def _plain(value: Any) -> Json:
    if isinstance(value, bool):
        return {"valueBoolean": value}
    if isinstance(value, int) and abs(value) <= GREATEST_INTEGER:
        return {"valueInteger": value}
    if isinstance(value, int | float):
        return {"valueDecimal": value}
    if isinstance(value, datetime):
        return {"valueDateTime": value.isoformat()}
    if isinstance(value, date):
        return {"valueDate": value.isoformat()}
    if isinstance(value, time):
        return {"valueTime": value.isoformat("seconds")}
    if isinstance(value, str):
        return {"valueString": value}
    return {"valueString": json.dumps(value, ensure_ascii=False, sort_keys=True)}
