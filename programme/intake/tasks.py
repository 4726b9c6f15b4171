"""Reading of kept messages as a task; what a killed worker leaves is read by the next one once its lease is over."""

from __future__ import annotations

import logging

from django.utils import timezone

from programme.celery import app
from programme.intake.services import reading

log = logging.getLogger(__name__)


@app.task(name="read_waiting")  # the page and the listener send it, so the app must be there in their process too
def read_waiting() -> int:
    """Read every kept message that waits and return how many were read."""
    return reading.read_all(clock=timezone.now)


@app.task(name="read_one")
def read_one(raw_pk: int) -> bool:
    """Read one kept message, unless somebody did already."""
    return reading.read_message(raw_pk, at=timezone.now())


def read_soon(raw_pk: int) -> None:
    """Have a message read that was kept just now; where that fails it is read with what waits, and is not lost."""
    try:
        read_one.delay(raw_pk)
    except Exception:
        log.exception("message %s is kept, and could not be read yet", raw_pk)
