"""Tasks: run in the asking process by default, over Redis workers where REDIS_URL is set."""

import os

from celery import Celery
from celery.schedules import crontab

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "programme.settings")
app = Celery("programme")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
app.conf.beat_schedule = {
    # Messages are read as they come; this takes up what a reader that died left behind.
    "read-waiting": {"task": "read_waiting", "schedule": crontab()},
    # Twice: the second start takes up what a worker that died left behind, and finds nothing to do otherwise.
    "nightly-replan": {"task": "replan", "schedule": crontab(hour="2", minute="10,40")},
    "nightly-demand": {"task": "foresee_demand", "schedule": crontab(hour="4", minute="10")},
}
