"""Load the invented unit that the demo shows."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.utils import timezone

from programme.bedside.demo_load import TODAYS, load_day
from programme.booking.demo_load import load_diary
from programme.core.models import Site
from programme.intake.demo_load import load_arrivals
from programme.planning.replan import replan
from programme.supply.demo_load import load_blood
from programme.worklist.demo_load import SITE_CODE, NotForThisDatabase, load_demo


class Command(BaseCommand):
    help = "Loads the invented Saltmarsh Day Unit once; what was entered since is kept, and planned anew as of today."

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        local = now.astimezone(ZoneInfo("Europe/London"))
        today = local.date()
        try:
            loaded = load_demo(today=today, at=now, vendor=connection.vendor)
        except NotForThisDatabase as error:
            raise CommandError(str(error)) from error
        site = Site.objects.get(code=SITE_CODE)
        if loaded.is_new:  # once the past is stored and forecast
            load_day(site=site, today=today, at=local)
            load_diary(site=site, today=today, at=local)
            load_blood(site=site, today=today, at=local)
            load_arrivals(site=site, at=local, but=TODAYS)
        else:  # what each night does where a beat runs
            replan(site=site, as_of=today, clock=timezone.now)
        self.stderr.write("The invented unit is loaded." if loaded.is_new else "The invented unit is there already.")
