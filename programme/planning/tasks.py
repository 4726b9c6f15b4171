"""The nightly replan as tasks: one for the programme, and as many as there are chunks for workers to share."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from celery import shared_task
from django.utils import timezone

from programme.core.models import Site
from programme.planning import replan as replanning
from programme.planning.models import ReplanRun


@shared_task(name="replan")
def replan_all() -> list[int]:
    """Start (or take up again) tonight's replan of every site and hand its chunks to the workers."""
    runs = []
    for site in Site.objects.order_by("pk"):
        now = timezone.now()
        as_of = now.astimezone(ZoneInfo(site.time_zone)).date()
        run, _ = replanning.open_run(site=site, as_of=as_of, at=now, everyone=False, refit=False)
        runs.append(run.pk)
        for _chunk in range(max(1, run.chunks.count())):
            replan_share.delay(run.pk)
    return runs


@shared_task(name="replan_share")
def replan_share(run_key: int) -> int:
    """Do chunks of the run until none is free; whoever finds nothing left to do is done at once."""
    run = ReplanRun.objects.select_related("site", "model_fit").get(pk=run_key)
    return replanning.work_on(run, clock=timezone.now)
