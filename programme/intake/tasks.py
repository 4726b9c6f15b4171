"""Reading of kept messages as a task; what a killed worker leaves is read by the next one once its lease is over."""

from __future__ import annotations

from django.utils import timezone

from programme.celery import app
from programme.intake.services import reading


@app.task(name="read_waiting")  # the page and the listener send it, so the app must be there in their process too
def read_waiting() -> int:
    """Read every kept message that waits and return how many were read."""
    return reading.read_all(clock=timezone.now)
