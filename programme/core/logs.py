"""The log as lines of JSON without anything of a person: patterns of addresses, numbers, and where it went wrong.

Names, references and what was typed reach a log through addresses, through arguments of messages and through the words
of exceptions. So a line has the pattern of the address, the message with its numbers only, and of an exception its kind
and the places in the code.
"""

from __future__ import annotations

import json
import logging
import traceback
from datetime import UTC, datetime
from typing import Any

from django.http import HttpRequest

from programme.core import asked

LEFT_OUT = "…"


class JsonLines(logging.Formatter):
    """One line of JSON for each record; keys that do not apply are left out."""

    def format(self, record: logging.LogRecord) -> str:
        now = asked.asked_now()
        request = getattr(record, "request", None) or (now.request if now else None)
        said = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": _message_of(record),
            "request": now.id if now else None,
            "method": getattr(request, "method", None),
            "route": asked.route_of(request) if isinstance(request, HttpRequest) else None,
            "status": getattr(record, "status_code", None),
            "ms": getattr(record, "ms", None),
            "task": _task_of(record),
            "error": _error_of(record.exc_info[1]) if record.exc_info else None,
        }
        return json.dumps({name: value for name, value in said.items() if value is not None}, ensure_ascii=False)


class NotOfWatchers(logging.Filter):
    """Drops what is said of requests that machines make every few seconds."""

    def filter(self, record: logging.LogRecord) -> bool:
        request = getattr(record, "request", None)
        return not isinstance(request, HttpRequest) or asked.route_of(request) not in asked.OF_WATCHERS


def _message_of(record: logging.LogRecord) -> str:
    """Return the message as it stands in the code, with the arguments that are numbers."""
    words, given = str(record.msg), record.args
    if not given:
        return words
    try:
        if isinstance(given, dict):
            return words % {name: _number(value) for name, value in given.items()}
        return words % tuple(_number(value) for value in given)
    except (TypeError, ValueError, KeyError):
        return words


def _number(value: object) -> object:
    return value if isinstance(value, int | float) else LEFT_OUT


def _task_of(record: logging.LogRecord) -> str | None:
    data = getattr(record, "data", None)
    return str(data["name"]) if isinstance(data, dict) and "name" in data else None


def _error_of(error: BaseException | None) -> dict[str, Any] | None:
    """Return kind and places of an exception, and of what caused it, without its words."""
    if error is None:
        return None
    places = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(error.__traceback__)]
    said: dict[str, Any] = {"kind": type(error).__name__, "at": places}
    before = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    return said | {"after": _error_of(before)} if before else said
