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
from programme.supply.demo_load import load_blood
from programme.worklist.demo_load import SITE_CODE, NotForThisDatabase, load_demo


class Command(BaseCommand):
    help = "Loads the invented Saltmarsh Day Unit once; what was entered since is kept."

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        local = now.astimezone(ZoneInfo("Europe/London"))
        today = local.date()
        try:
            loaded = load_demo(today=today, at=now, vendor=connection.vendor)
        except NotForThisDatabase as error:
            raise CommandError(str(error)) from error
        if loaded.is_new:  # once the past is stored and forecast
            site = Site.objects.get(code=SITE_CODE)
            load_day(site=site, today=today, at=local)
            load_diary(site=site, today=today, at=local)
            load_blood(site=site, today=today, at=local)
            load_arrivals(site=site, at=local, but=TODAYS)
        self.stderr.write("The invented unit is loaded." if loaded.is_new else "The invented unit is there already.")
