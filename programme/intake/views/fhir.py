"""Where laboratories post results as FHIR R4, each with its token. Answers are FHIR too: OperationOutcome or Bundle."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from django.core.exceptions import RequestDataTooBig
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt

from programme.core import access
from programme.intake.models import Sender
from programme.intake.numeric.arrivals import Unreadable
from programme.intake.queries.senders import sender_with
from programme.intake.services.fhir import keep_resource
from programme.intake.services.keeping import NotKept
from programme.intake.services.senders import digest_of_token
from programme.intake.tasks import read_soon

FHIR_JSON = "application/fhir+json"
TAKEN = (FHIR_JSON, "application/json")


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


def _take(request: HttpRequest, kind: str) -> HttpResponse:
    """Keep what was posted and answer; it is read afterwards."""
    if request.method != "POST":
        return _outcome(405, "not-supported", "Only POST is taken here.", headers={"Allow": "POST"})
    sender = _sender(request)
    if sender is None:
        return _outcome(401, "login", "A valid token is needed: Authorization: Bearer TOKEN.",
                        headers={"WWW-Authenticate": "Bearer"})  # fmt: skip
    if request.content_type not in TAKEN:
        return _outcome(415, "not-supported", f"The content type is not taken; allowed is {FHIR_JSON}.")
    try:
        raw = keep_resource(sender=sender, kind=kind, body=request.body, at=timezone.now())
    except RequestDataTooBig:
        return _outcome(413, "too-long", "It is too large.")
    except (Unreadable, NotKept) as refusal:
        return _outcome(400, "invalid", str(refusal))
    read_soon(raw.pk)
    if kind == "Bundle":
        return _bundle_response(json.loads(bytes(raw.body)))
    return _outcome(201, "informational", f"Kept as message {raw.pk}.", severity="information")


def _sender(request: HttpRequest) -> Sender | None:
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        return None
    return sender_with(digest_of_token(token.strip()))


def _bundle_response(sent: Mapping[str, Any]) -> HttpResponse:
    """Return one answer an entry: all of a Bundle is kept as one message."""
    entries = [{"response": {"status": "201 Created"}} for _ in sent.get("entry", [])]
    answer = {"resourceType": "Bundle", "type": f"{sent['type']}-response", "entry": entries}
    return _json(200, answer)


def _outcome(
    status: int, code: str, words: str, *, severity: str = "error", headers: Mapping[str, str] | None = None
) -> HttpResponse:
    issue = {"severity": severity, "code": code, "diagnostics": words}
    return _json(status, {"resourceType": "OperationOutcome", "issue": [issue]}, headers)


def _json(status: int, what: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> HttpResponse:
    kept_out = {"Cache-Control": "no-store", **(headers or {})}
    return HttpResponse(json.dumps(what), status=status, content_type=FHIR_JSON, headers=kept_out)
