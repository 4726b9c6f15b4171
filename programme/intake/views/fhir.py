"""Where laboratories post results as FHIR R4, each with its token. Answers are FHIR too: OperationOutcome or Bundle."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.core.exceptions import RequestDataTooBig
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt

from programme.core import access
from programme.intake.models import MessageKind, Sender
from programme.intake.numeric.arrivals import Unreadable
from programme.intake.numeric.refusals import without_values
from programme.intake.queries.senders import Presented, token_with
from programme.intake.services.fhir import keep_resource
from programme.intake.services.keeping import NotKept
from programme.intake.services.refusals import note_refusal
from programme.intake.services.senders import digest_of_token, note_use
from programme.intake.tasks import read_soon

FHIR_JSON = "application/fhir+json"
TAKEN = (FHIR_JSON, "application/json")
ADDRESSES = ("fhir_bundle", "fhir_observation", "fhir_diagnostic_report")


@csrf_exempt
@access.open_to_all
def observation(request: HttpRequest) -> HttpResponse:
    return _take(request, "Observation")


@csrf_exempt
@access.open_to_all
def diagnostic_report(request: HttpRequest) -> HttpResponse:
    return _take(request, "DiagnosticReport")


@csrf_exempt
@access.open_to_all
def bundle(request: HttpRequest) -> HttpResponse:
    return _take(request, "Bundle")


@csrf_exempt
@access.open_to_all
def elsewhere(request: HttpRequest, rest: str = "") -> HttpResponse:
    """Answer what is sent to any other address under the base: a sender reads FHIR, and no page."""
    allowed = ", ".join(reverse(f"intake:{name}") for name in ADDRESSES)
    return _outcome(404, "not-found", f"There is nothing at this address; allowed are {allowed}.")


def _take(request: HttpRequest, kind: str) -> HttpResponse:
    """Keep what was posted and answer; it is read afterwards."""
    if request.method != "POST":
        return _outcome(405, "not-supported", "Only POST is taken here.", headers={"Allow": "POST"})
    token, now = _token(request), timezone.now()
    if token is None:
        return _outcome(401, "login", "A valid token is needed: Authorization: Bearer TOKEN.",
                        headers={"WWW-Authenticate": "Bearer"})  # fmt: skip
    sender, shut = token.sender, _not_opened(token, kind, now)
    if shut is not None:
        return shut
    if request.content_type not in TAKEN:
        return _refused(sender, now, 415, "not-supported", f"The content type is not taken; allowed is {FHIR_JSON}.")
    try:
        raw, refused = keep_resource(sender=sender, kind=kind, body=request.body, at=now)
    except RequestDataTooBig:
        return _refused(sender, now, 413, "too-long", "It is too large.")
    except (Unreadable, NotKept) as refusal:
        return _refused(sender, now, 400, "invalid", str(refusal))
    for words in {without_values(words) for words in refused.values()}:
        note_refusal(site=sender.site, sender=sender.name, kind=MessageKind.FHIR, words=words, at=now)
    read_soon(raw.pk)
    if kind == "Bundle":
        return _bundle_response(json.loads(bytes(raw.body)), refused)
    return _outcome(201, "informational", f"Kept as message {raw.pk}.", severity="information")


def _refused(
    sender: Sender, at: datetime, status: int, code: str, words: str, headers: Mapping[str, str] | None = None
) -> HttpResponse:
    """Answer a sender that is known, and keep for its unit what it was answered."""
    note_refusal(site=sender.site, sender=sender.name, kind=MessageKind.FHIR, words=words, at=at)
    return _outcome(status, code, words, headers=headers)


def _token(request: HttpRequest) -> Presented | None:
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        return None
    return token_with(digest_of_token(token.strip()))


def _not_opened(token: Presented, kind: str, now: datetime) -> HttpResponse | None:
    """Return the refusal of a token that has ended or is for other kinds (RFC 6750 (2012), 3.1); else note its use."""
    sender = token.sender
    if not sender.is_active or token.has_ended(now):
        new = "use the new one that the unit gave" if token.is_old else "the unit gives a new one"
        words = f"This token has ended; {new}." if sender.is_active else "This sender was revoked by the unit."
        return _refused(sender, now, 401, "expired", words, {"WWW-Authenticate": 'Bearer error="invalid_token"'})
    note_use(token=token, at=now)
    if kind in token.kinds:
        return None
    return _refused(sender, now, 403, "forbidden", f"This token is for {', '.join(token.kinds)}, not for {kind}.",
                    {"WWW-Authenticate": 'Bearer error="insufficient_scope"'})  # fmt: skip


def _bundle_response(sent: Mapping[str, Any], refused: Mapping[int, str]) -> HttpResponse:
    """Return one answer an entry; all of a Bundle is kept as one message, and what a batch was refused is not read."""
    entries = [_entry_response(refused.get(number)) for number, _ in enumerate(sent.get("entry", []))]
    answer = {"resourceType": "Bundle", "type": f"{sent['type']}-response", "entry": entries}
    return _json(200, answer)


def _entry_response(words: str | None) -> Mapping[str, Any]:
    if words is None:
        return {"response": {"status": "201 Created"}}
    return {"response": {"status": "400 Bad Request", "outcome": _operation_outcome("invalid", words)}}


def _outcome(
    status: int, code: str, words: str, *, severity: str = "error", headers: Mapping[str, str] | None = None
) -> HttpResponse:
    return _json(status, _operation_outcome(code, words, severity), headers)


def _operation_outcome(code: str, words: str, severity: str = "error") -> Mapping[str, Any]:
    issue = {"severity": severity, "code": code, "diagnostics": words}
    return {"resourceType": "OperationOutcome", "issue": [issue]}


def _json(status: int, what: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> HttpResponse:
    kept_out = {"Cache-Control": "no-store", **(headers or {})}
    return HttpResponse(json.dumps(what), status=status, content_type=FHIR_JSON, headers=kept_out)
