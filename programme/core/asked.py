"""Every request gets an id, which its answer and every line of the log bear, and a line when it was answered.

What is said of it is the pattern of its address, such as people/<path:patient_ref>/, never the address itself.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass
from uuid import uuid4

from django.http import HttpRequest, HttpResponseBase

from programme.core import counted

HEADER = "X-Request-ID"
UNKNOWN = "unknown address"
OF_WATCHERS = frozenset({"health/", "ready/", "metrics/"})
"""Patterns asked every few seconds by machines: no line of the log."""
log = logging.getLogger("programme.requests")


@dataclass(frozen=True, slots=True)
class Asked:
    """The request that is answered in this context, or was last."""

    id: str
    request: HttpRequest


_now: ContextVar[Asked | None] = ContextVar("asked", default=None)


def asked_now() -> Asked | None:
    """Return the request at work; None in a command or task."""
    return _now.get()


def route_of(request: HttpRequest) -> str:
    """Return the pattern of the address asked for."""
    return request.resolver_match.route or "/" if request.resolver_match else UNKNOWN


class AskedMiddleware:
    """Gives the id, measures until the answer begins, counts it and writes the line."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        asked = Asked(uuid4().hex, request)
        _now.set(asked)  # and left so: the framework logs what went wrong after this returns
        start = time.perf_counter()
        response = self.get_response(request)
        spent_s = time.perf_counter() - start
        response.headers[HEADER] = asked.id
        said = {"request": request, "status_code": response.status_code, "ms": round(1000 * spent_s, 1)}
        counted.note_request(route=route_of(request), status=response.status_code, seconds=spent_s)
        log.info("answered", extra=said)
        return response
