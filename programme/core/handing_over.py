"""Handing a task to the workers, or saying that none could be reached."""

from __future__ import annotations

import logging
from typing import Any

from celery import Task
from kombu.exceptions import OperationalError

log = logging.getLogger(__name__)


def hand_over(task: Task, *arguments: Any) -> bool:
    """Send `task` to a worker, or do it here where there are none; False where the workers cannot be reached.

    What was not handed over is not done later by itself: the caller says so to whoever asked.
    """
    try:
        task.delay(*arguments)
    except OperationalError:
        log.exception("%s could not be handed over: Redis does not answer", task.name)
        return False
    return True
