"""The nightly replan as tasks: one for the programme, one for each chunk."""

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
            replan_chunk.delay(run.pk)
    return runs


@shared_task(name="replan_chunk")
def replan_chunk(run_key: int) -> int:
    """Take one free chunk of the run and do it; the last one closes the run."""
    run = ReplanRun.objects.select_related("site", "model_fit").get(pk=run_key)
    chunk = replanning.take_chunk(run, at=timezone.now())
    renewed = 0 if chunk is None else replanning.do_chunk(chunk, clock=timezone.now)
    replanning.close_run(run, at=timezone.now())
    return renewed
