"""Reading of kept messages as a task; what a killed worker leaves is read by the next one once its lease is over."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from programme.intake.services import reading


@shared_task(name="read_waiting")
def read_waiting() -> int:
    """Read every kept message that waits and return how many were read."""
    return reading.read_all(clock=timezone.now)
