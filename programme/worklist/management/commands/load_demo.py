"""Load the invented unit that the demo shows."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.utils import timezone

from programme.worklist.demo_load import NotForThisDatabase, load_demo


class Command(BaseCommand):
    help = "Loads the invented Saltmarsh Day Unit once; what was entered since is kept."

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        today = now.astimezone(ZoneInfo("Europe/London")).date()
        try:
            loaded = load_demo(today=today, at=now, vendor=connection.vendor)
        except NotForThisDatabase as error:
            raise CommandError(str(error)) from error
        self.stderr.write("The invented unit is loaded." if loaded.is_new else "The invented unit is there already.")
