"""Tasks: run in the asking process by default, over Redis workers where REDIS_URL is set."""

import os
from logging.config import dictConfig
from typing import Any

from celery import Celery
from celery.schedules import crontab
from celery.signals import setup_logging
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "programme.settings")
app = Celery("programme")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


def schedule(*, backed_up: bool) -> dict[str, Any]:
    """Return what beat starts, and when; backed_up: whether the environment says where backups go."""
    nightly = {
        # Messages are read as they come; this takes up what a reader that died left behind.
        "read-waiting": {"task": "read_waiting", "schedule": crontab()},
        # Twice: the second start takes up what a worker that died left behind, and finds nothing to do otherwise.
        "nightly-replan": {"task": "replan", "schedule": crontab(hour="2", minute="10,40")},
        "nightly-seal": {"task": "seal_trail", "schedule": crontab(hour="1", minute="50")},
        "nightly-clearing": {"task": "clear_sign_ins", "schedule": crontab(hour="1", minute="30")},
        # Before the seal, so that the same night's seal and backup no longer hold what was erased.
        "nightly-erasing": {"task": "erase_due", "schedule": crontab(hour="1", minute="40")},
        "nightly-demand": {"task": "foresee_demand", "schedule": crontab(hour="4", minute="10")},
    }
    if backed_up:  # after the seal and before the replan, which can be reckoned again
        nightly["nightly-backup"] = {"task": "back_up", "schedule": crontab(hour="2", minute="0")}
    return nightly


app.conf.beat_schedule = schedule(backed_up=settings.BACKUP_FOLDER is not None)


def log_as_everywhere(**_: Any) -> None:
    """Workers write the same log as pages: their own would hold the words of every exception."""
    dictConfig(settings.LOGGING)


setup_logging.connect(log_as_everywhere)
