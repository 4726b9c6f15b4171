"""The nightly reckoning of demand, after the replan."""

from __future__ import annotations

from django.utils import timezone

from programme.celery import app
from programme.core.models import Site
from programme.supply.services.demand import keep_demand, keep_look_back


@app.task(name="foresee_demand")
def foresee_demand() -> int:
    """Look back where it is a week since, then store today's demand of every site; return how many sites."""
    keys = list(Site.objects.order_by("pk").values_list("pk", flat=True))
    for key in keys:
        foresee_demand_of.delay(key)
    return len(keys)


@app.task(name="foresee_demand_of")  # a page sends it, so the app must be there in its process too
def foresee_demand_of(site_key: int) -> str:
    """The same for one site; return the day it was foreseen on."""
    site = Site.objects.get(pk=site_key)
    keep_look_back(site=site, at=timezone.now())
    return str(keep_demand(site=site, at=timezone.now()).as_of)
