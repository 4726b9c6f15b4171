"""Print the units foreseen week by week, by group; writes nothing."""

from __future__ import annotations

import json
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core.management.sites import add_site_argument, site_asked_for
from programme.supply.queries.demand import WEEKS, demand
from programme.supply.services.demand import printed_class, printed_row, stretch_in_use


class Command(BaseCommand):
    help = "Prints the units of red cells foreseen for each week as JSON; reads only."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--from", dest="first", type=date.fromisoformat, metavar="DATE", help="first day; default today"
        )
        parser.add_argument("--weeks", type=int, default=WEEKS, help=f"how many weeks (1 to 26; default {WEEKS})")
        add_site_argument(parser)
        parser.add_argument(
            "--by", choices=["group", "phenotype"], default="group", help="ABO and D, or what units must be beside it"
        )
        parser.add_argument("--format", choices=["json"], default="json")

    def handle(self, *args: Any, **options: Any) -> None:
        if not 1 <= options["weeks"] <= 26:
            raise CommandError(f"--weeks: {options['weeks']} is not allowed; allowed is 1 to 26.")
        site = site_asked_for(options["site"])
        now = timezone.now().astimezone(ZoneInfo(site.time_zone))
        first = options["first"] or now.date()
        found = demand(site, first=first, weeks=options["weeks"], now=now, stretch=stretch_in_use(site))
        if found.left_out:
            self.stderr.write(f"Nothing can be foreseen for {', '.join(found.left_out)}.")
        by_group = options["by"] == "group"
        rows = [printed_row(row) for row in found.rows] if by_group else [printed_class(row) for row in found.classes]
        self.stdout.write(json.dumps(rows, indent=2))
