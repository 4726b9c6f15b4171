"""Print the units foreseen week by week, by group; writes nothing."""

from __future__ import annotations

import json
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.planning.management.commands._asked import the_site
from programme.supply.queries.demand import WEEKS, demand
from programme.supply.services.demand import printed_row, stretch_in_use


class Command(BaseCommand):
    help = "Prints the units of red cells foreseen for each week as JSON; reads only."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--from", dest="first", type=date.fromisoformat, metavar="DATE", help="first day; default today"
        )
        parser.add_argument("--weeks", type=int, default=WEEKS, help=f"how many weeks (1 to 26; default {WEEKS})")
        parser.add_argument("--site", help="code of the site, where there are several")
        parser.add_argument("--format", choices=["json"], default="json")

    def handle(self, *args: Any, **options: Any) -> None:
        if not 1 <= options["weeks"] <= 26:
            raise CommandError(f"--weeks: {options['weeks']} is not allowed; allowed is 1 to 26.")
        site = the_site(options["site"])
        now = timezone.now().astimezone(ZoneInfo(site.time_zone))
        first = options["first"] or now.date()
        found = demand(site, first=first, weeks=options["weeks"], now=now, stretch=stretch_in_use(site))
        if found.left_out:
            self.stderr.write(f"Nothing can be foreseen for {', '.join(found.left_out)}.")
        self.stdout.write(json.dumps([printed_row(row) for row in found.rows], indent=2))
