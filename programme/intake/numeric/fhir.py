"""Results in FHIR R4: an Observation, a DiagnosticReport with its Observations contained, or a Bundle of them.

Only what a result needs is read, and what could change its meaning is refused where it is not understood
(modifierExtension, implicitRules). Whom it is about: subject.identifier.value, and the birth date of the Patient that
is contained or in the same Bundle.
"""

from __future__ import annotations

import hashlib
import re
from collections import ChainMap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from programme.intake.numeric.arrivals import (
    CORRECTED,
    FINAL,
    LOCAL,
    LOINC,
    PRELIMINARY,
    WITHDRAWN,
    Arrival,
    Envelope,
    Unreadable,
)
from programme.intake.numeric.fhir_json import Number, load

LOINC_SYSTEM, UCUM_SYSTEM = "http://loinc.org", "http://unitsofmeasure.org"
KINDS = ("Observation", "DiagnosticReport", "Bundle")
BUNDLES = ("batch", "transaction")
STATUS: Mapping[str, str | None] = {
    "registered": None, "preliminary": PRELIMINARY, "final": FINAL, "amended": CORRECTED, "corrected": CORRECTED,
    "cancelled": WITHDRAWN, "entered-in-error": WITHDRAWN,
}  # fmt: skip
"""Observation.status (FHIR R4); None: there is no result yet. 'unknown' is refused: nobody could say what counts."""
TAKES_BACK = ("entered-in-error", "cancelled")
FIRST_YEAR, LAST_YEAR = 1900, 2100
LONGEST_ID, LONGEST_TEXT = 100, 400
SHORT = timedelta(hours=1)
MOST_RESULTS = 1_000
MOST_ENTRIES = 2 * MOST_RESULTS
"""Each result may come with a Patient of its own."""

_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?")
_DATE_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class _Found:
    """One resource, where it stands, and what it can refer to: contained by '#id', in the Bundle by address."""

    resource: Json
    path: str
    known: Mapping[str, Json]
    entry: int = 0


@dataclass(frozen=True, slots=True)
class Bundled:
    """What is in one resource. refused: of a batch, by the number of the entry (from 0), what is wrong."""

    arrivals: tuple[Arrival, ...]
    refused: Mapping[int, str]


def read(body: bytes, envelope: Envelope) -> tuple[Arrival, ...]:
    """Return the results of one resource, in order; of a batch those of the entries that can be read.

    Raises Unreadable with path and what is allowed.
    """
    return read_entries(body, envelope).arrivals


def read_entries(body: bytes, envelope: Envelope) -> Bundled:
    """Return the results of one resource, and which entries of a batch were refused.

    The entries of a batch stand each by itself; a transaction is taken whole or not at all (FHIR R4, http, 3.1.0.11).
    Raises: Unreadable with path and what is allowed, for a batch where none of its entries can be read.
    """
    resource = load(body)
    kind = resource.get("resourceType")
    if kind not in KINDS:
        raise Unreadable(f"resourceType is {str(kind)[:30]!r}; allowed are {', '.join(KINDS)}.")
    refused: dict[int, str] | None = {} if kind == "Bundle" and resource.get("type") == "batch" else None
    if kind == "Bundle":
        found = _in_bundle(resource, refused)
    else:
        found = [_Found(resource, str(kind), _contained(resource))]
    _refuse_too_many(found)
    arrivals = tuple(_arrivals(found, envelope, refused))
    if refused and not arrivals:
        raise Unreadable(" ".join(refused.values())[:LONGEST_TEXT])
    if not (_of_kind(found, "Observation") or _of_kind(found, "DiagnosticReport")):
        raise Unreadable("There is no Observation in it.")
    return Bundled(arrivals, refused or {})


def kind_of(body: bytes) -> str:
    """Return the resourceType. Raises Unreadable where the body is no JSON object."""
    return str(load(body).get("resourceType", ""))[:30]


@contextmanager
def _apart(entry: int, refused: dict[int, str] | None) -> Iterator[None]:
    """Keep a fault with its entry in a batch; elsewhere (None) one fault refuses all."""
    try:
        yield
    except Unreadable as fault:
        if refused is None:
            raise
        refused.setdefault(entry, str(fault))


def _in_bundle(bundle: Json, refused: dict[int, str] | None) -> list[_Found]:
    """Return the resources, in a batch also of refused entries: a report among them may take results back."""
    if bundle.get("type") not in BUNDLES:
        raise Unreadable(f"Bundle.type is {str(bundle.get('type'))[:20]!r}; allowed are {', '.join(BUNDLES)}.")
    listed = _list(bundle, "entry", "Bundle")
    if len(listed) > MOST_ENTRIES:
        raise Unreadable(f"Bundle.entry has {len(listed)} entries; allowed are at most {MOST_ENTRIES}.")
    known: dict[str, Json] = {}
    entries: list[_Found] = []
    for number, entry in enumerate(listed):
        path = f"Bundle.entry[{number}]"
        with _apart(number, refused):
            resource = _object(entry, "resource", path)
            entries.append(_Found(resource, path, known, number))
            known |= _addresses(entry, resource)
            if resource.get("resourceType") == "Patient":
                for name in _identifiers(resource):
                    known.setdefault(f"patient {name}", resource)
            _refuse_method(entry, path)
    return [_with_contained(one, refused) for one in entries]


def _with_contained(one: _Found, refused: dict[int, str] | None) -> _Found:
    with _apart(one.entry, refused):
        return replace(one, known=ChainMap(_contained(one.resource), dict(one.known)))
    return one


def _refuse_method(entry: Json, path: str) -> None:
    method = _object(entry, "request", path).get("method")
    if method not in ("POST", "PUT"):
        raise Unreadable(f"{path}.request.method is {str(method)[:10]!r}; allowed are POST and PUT.")


def _addresses(entry: Json, resource: Json) -> dict[str, Json]:
    names = (entry.get("fullUrl"), f"{resource.get('resourceType')}/{resource.get('id')}")
    return {name: resource for name in names if isinstance(name, str) and not name.endswith("/None")}


def _contained(resource: Json) -> dict[str, Json]:
    found: dict[str, Json] = {}
    for one in _list(resource, "contained", str(resource.get("resourceType"))):
        found[f"#{one.get('id')}"] = one
        if one.get("resourceType") == "Patient":
            for name in _identifiers(one):
                found.setdefault(f"patient {name}", one)
    return found


def _refuse_too_many(found: Sequence[_Found]) -> None:
    in_reports = sum(len(one.resource.get("contained") or ()) for one in _of_kind(found, "DiagnosticReport"))
    count = len(_of_kind(found, "Observation")) + in_reports
    if count > MOST_RESULTS:
        raise Unreadable(f"{count} Observations; allowed are at most {MOST_RESULTS}.")


def _arrivals(found: Sequence[_Found], envelope: Envelope, refused: dict[int, str] | None) -> list[Arrival]:
    """Return the results of the Observations, then of those contained in reports; a report can take back either.

    What a refused report of a batch names is refused with it: it may be taken back there, and would stand as final.
    """
    of_reports: list[Arrival] = []
    taken_back: set[int] = set()
    in_doubt: set[int] = set()
    for report in _of_kind(found, "DiagnosticReport"):
        with _apart(report.entry, refused):
            if not _is_refused(report, refused):
                contained, others = _of_report(report)
                back = report.resource.get("status") in TAKES_BACK
                of_reports += [arrival for one in contained for arrival in _results(one, envelope, back)]
                taken_back |= {id(one) for one in others if back}
        if _is_refused(report, refused):
            in_doubt |= {id(one) for one in _named_by(report)}
    arrivals: list[Arrival] = []
    for one in _of_kind(found, "Observation"):
        with _apart(one.entry, refused):
            if id(one.resource) in in_doubt:
                raise Unreadable(f"{one.path} is named by a report of this batch that was refused.")
            if not _is_refused(one, refused):
                arrivals += _results(one, envelope, id(one.resource) in taken_back)
    return arrivals + of_reports


def _of_kind(found: Sequence[_Found], kind: str) -> list[_Found]:
    return [one for one in found if one.resource.get("resourceType") == kind]


def _is_refused(one: _Found, refused: dict[int, str] | None) -> bool:
    return refused is not None and one.entry in refused


def _named_by(report: _Found) -> list[Json]:
    """Return what a report refers to, as far as can be told of one that cannot be read."""
    results = report.resource.get("result")
    named = [one.get("reference") for one in results if isinstance(one, dict)] if isinstance(results, list) else []
    return [report.known[str(name)] for name in named if str(name) in report.known]


def _of_report(report: _Found) -> tuple[list[_Found], list[Json]]:
    """Return the Observations that a report contains, and those it refers to elsewhere in the message."""
    _refuse_modifiers(report.resource, report.path)
    contained, others = [], []
    for number, reference in enumerate(_list(report.resource, "result", report.path)):
        path = f"{report.path}.result[{number}]"
        target = report.known.get(str(reference.get("reference")))
        if target is None or target.get("resourceType") != "Observation":
            raise Unreadable(f"{path} refers to an Observation that is not in the message.")
        if str(reference["reference"]).startswith("#"):
            whose = {"subject": report.resource.get("subject"), **target}
            contained.append(_Found(whose, path, report.known, report.entry))
        else:
            others.append(target)
    return contained, others


def _results(found: _Found, envelope: Envelope, is_taken_back: bool) -> list[Arrival]:
    """Return the value of an Observation and those of its components; nothing where it only groups others."""
    resource, path = found.resource, found.path
    _refuse_modifiers(resource, path)
    said = _text(resource, "status")
    if said not in STATUS:
        raise Unreadable(f"{path}.status is {said[:20]!r}; allowed are {', '.join(STATUS)}.")
    status = WITHDRAWN if is_taken_back else STATUS[said]
    if status is None:
        return []
    parts = _list(resource, "component", path)
    groups = bool(parts or resource.get("hasMember")) and not any(name.startswith("value") for name in resource)
    own_id = _result_id(found)
    arrivals = [] if groups else [_arrival(resource, path, own_id, status, found, envelope)]
    for number, part in enumerate(parts):
        where = f"{path}.component[{number}]"
        _refuse_modifiers(part, where)
        arrivals.append(_arrival(part, where, f"{own_id}|{_code(part, where)[0]}", status, found, envelope))
    return arrivals


def _arrival(part: Json, path: str, result_id: str, status: str, found: _Found, envelope: Envelope) -> Arrival:
    reference, born = _person(found)
    code, system = _code(part, path)
    comparator, value_text, unit = _value(part, path)
    taken_at, known = _taken(found.resource, found.path, envelope)
    return Arrival(
        reference=reference, birth_date=born, code=code, code_system=system, source=envelope.sender[:60],
        value_text="" if status == WITHDRAWN else value_text, comparator="" if status == WITHDRAWN else comparator,
        unit=unit, taken_at=taken_at, time_known=known, result_id=_short(result_id), status=status, position=path,
        method=_concept(found.resource.get("method"))[:60],
        comment=" ".join(_text(note, "text") for note in _list(found.resource, "note", path))[:LONGEST_TEXT],
    )  # fmt: skip


def _person(found: _Found) -> tuple[str, date | None]:
    """Return reference and birth date; without an identifier the reference stands for the person, and fits nobody."""
    path = f"{found.path}.subject"
    subject = found.resource.get("subject")
    if not isinstance(subject, dict):
        raise Unreadable(f"{path} is missing; allowed is subject.identifier.value with the unit's own reference.")
    named = _text(subject.get("identifier"), "value")
    link = _text(subject, "reference")
    patient = found.known.get(link) if link else found.known.get(f"patient {named}")
    if patient is None:
        reference = named or link
        if not reference or link.startswith("#"):
            raise Unreadable(f"{path} names nobody, or a contained Patient that is not there.")
        return reference[:LONGEST_ID], None
    names = _identifiers(patient)
    if named and names and named not in names:
        raise Unreadable(f"{path}.identifier is {named[:40]!r}, and the Patient it refers to is {names[0][:40]!r}.")
    if not named and len(names) != 1:
        raise Unreadable(f"{path} names nobody; allowed is subject.identifier.value with the unit's own reference.")
    return (named or names[0])[:LONGEST_ID], _birth_date(patient, path)


def _birth_date(patient: Json, path: str) -> date | None:
    text = _text(patient, "birthDate")
    if not text:
        return None
    if not _DATE.fullmatch(text):
        raise Unreadable(f"{path}: birthDate is {text[:20]!r}; allowed is a date such as 1994-03-14.")
    return None if len(text) < 10 else _day(text, f"{path}: birthDate")


def _identifiers(resource: Json) -> list[str]:
    said = [_text(one, "value") for one in _list(resource, "identifier", str(resource.get("resourceType")))]
    return [text for text in said if text]


def _result_id(found: _Found) -> str:
    """Return the sender's identifier of the Observation, else its id: the same for all its versions.

    A resource to be created need have neither (FHIR R4, RESTful create); then whose, which code and when stand for it.
    """
    resource, path = found.resource, found.path
    names = [*_identifiers(resource), _text(resource, "id")]
    if names[0]:
        return names[0]
    when = _text(resource, "effectiveDateTime") or _text(resource, "effectiveInstant")
    when = when or _text(resource.get("effectivePeriod"), "start")
    if not when:
        raise Unreadable(f"{path} has no identifier, id or effective time; allowed is what the sender calls it.")
    return "|".join((_person(found)[0], _code(resource, path)[0], when))


def _short(result_id: str) -> str:
    if len(result_id) <= LONGEST_ID:
        return result_id
    return f"{result_id[:60]}|{hashlib.sha256(result_id.encode()).hexdigest()[:32]}"


def _code(part: Json, path: str) -> tuple[str, str]:
    concept = part.get("code")
    codings = _list(concept, "coding", f"{path}.code") if isinstance(concept, dict) else []
    for coding in codings:
        if coding.get("system") == LOINC_SYSTEM and _text(coding, "code"):
            return _text(coding, "code")[:LONGEST_ID], LOINC
    own = next((_text(coding, "code") for coding in codings if _text(coding, "code")), "") or _text(concept, "text")
    if not own:
        raise Unreadable(f"{path}.code is empty; allowed is a coding.")
    return own[:LONGEST_ID], LOCAL


def _value(part: Json, path: str) -> tuple[str, str, str]:
    """Return comparator, value and unit. What is no quantity is given on as it stands, and no number is made of it."""
    names = [name for name in part if name.startswith("value")]
    if len(names) > 1:
        raise Unreadable(f"{path} has {len(names)} values; allowed is one.")
    if not names:
        return "", "", ""
    value = part[names[0]]
    if names[0] == "valueQuantity":
        return _quantity(value, f"{path}.valueQuantity")
    if names[0] == "valueCodeableConcept":
        return "", _concept(value)[:LONGEST_TEXT], ""
    text = value if isinstance(value, str) else ""
    if names[0] == "valueString" and text[:1] in ("<", ">") and text[1:2] not in ("=", ">"):
        return text[0], text[1:].strip()[:LONGEST_TEXT], ""
    return "", text[:LONGEST_TEXT], ""


def _quantity(quantity: object, path: str) -> tuple[str, str, str]:
    if not isinstance(quantity, dict):
        raise Unreadable(f"{path} is no object.")
    value = quantity.get("value", Number(""))
    if not isinstance(value, Number):
        raise Unreadable(f"{path}.value is {str(value)[:20]!r}, not written as a number.")
    by_code = quantity.get("system") == UCUM_SYSTEM and _text(quantity, "code")
    unit = (_text(quantity, "code") if by_code else _text(quantity, "unit"))[:LONGEST_ID]
    comparator = _text(quantity, "comparator")
    if comparator in ("", "<", ">"):
        return comparator, str(value)[:LONGEST_TEXT], unit
    return "", f"{comparator}{value}"[:LONGEST_TEXT], unit


def _taken(resource: Json, path: str, envelope: Envelope) -> tuple[datetime | None, bool]:
    """Return when the sample was taken: effective; of a period its start, which is not known where it is long."""
    for name in ("effectiveDateTime", "effectiveInstant"):
        if name in resource:
            return _moment(_text(resource, name), f"{path}.{name}", envelope)
    period = resource.get("effectivePeriod")
    if not isinstance(period, dict) or "start" not in period:
        return None, False
    start, known = _moment(_text(period, "start"), f"{path}.effectivePeriod.start", envelope)
    if "end" in period:
        end, _ = _moment(_text(period, "end"), f"{path}.effectivePeriod.end", envelope)
        known = known and start is not None and end is not None and end - start <= SHORT
    return start, known


def _moment(text: str, path: str, envelope: Envelope) -> tuple[datetime | None, bool]:
    if _DATE.fullmatch(text):
        if len(text) < 10:
            return None, False
        day = _day(text, path)
        return datetime(day.year, day.month, day.day, tzinfo=envelope.zone), False
    if not _DATE_TIME.fullmatch(text):
        raise Unreadable(f"{path} is {text[:40]!r}; allowed is a time with offset such as 2026-05-04T08:10:00+01:00.")
    _day(text[:10], path)
    try:
        return datetime.fromisoformat(text), True
    except ValueError as error:
        raise Unreadable(f"{path} is {text[:40]!r}, which is no time.") from error


def _day(text: str, path: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise Unreadable(f"{path} is {text!r}, which is no day.") from error
    if not FIRST_YEAR < day.year < LAST_YEAR:
        raise Unreadable(f"{path} is in the year {day.year}; allowed is {FIRST_YEAR + 1} to {LAST_YEAR - 1}.")
    return day


def _refuse_modifiers(part: Json, path: str) -> None:
    for name in ("modifierExtension", "implicitRules"):
        if part.get(name):
            raise Unreadable(f"{path}.{name} may change what is meant, and is not understood here.")


def _concept(concept: object) -> str:
    """Return a CodeableConcept in words: its text, else what its first coding shows."""
    if not isinstance(concept, dict):
        return ""
    coding = next(iter(_list(concept, "coding", "coding")), {})
    return _text(concept, "text") or _text(coding, "display") or _text(coding, "code")


def _text(part: object, name: str) -> str:
    value = part.get(name) if isinstance(part, dict) else None
    return value.strip() if isinstance(value, str) and not isinstance(value, Number) else ""


def _object(part: Json, name: str, path: str) -> Json:
    value = part.get(name)
    if not isinstance(value, dict):
        raise Unreadable(f"{path}.{name} is missing.")
    return value


def _list(part: Json, name: str, path: str) -> list[Json]:
    value = part.get(name, [])
    if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
        raise Unreadable(f"{path}.{name} is not a list of objects.")
    return value
