"""Print a place for everyone who is due, and who is left; writes nothing."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.booking.queries.placing import people_of
from programme.booking.queries.together import places_for_everyone
from programme.core.management.sites import add_site_argument, site_asked_for
from programme.core.models import Site
from programme.core.settings_of_site import site_settings


class Command(BaseCommand):
    help = "Prints places for everyone who is due as JSON; nothing is booked."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--from", dest="first", type=date.fromisoformat, metavar="DATE", help="first day; default today"
        )
        parser.add_argument("--weeks", type=int, default=6, help="how many weeks (1 to 26; default 6)")
        add_site_argument(parser)
        parser.add_argument("--format", choices=["json"], default="json")

    def handle(self, *args: Any, **options: Any) -> None:
        if not 1 <= options["weeks"] <= 26:
            raise CommandError(f"--weeks: {options['weeks']} is not allowed; allowed is 1 to 26.")
        site, at = site_asked_for(options["site"]), timezone.now()
        now = at.astimezone(ZoneInfo(site.time_zone))
        first = options["first"] or now.date()
        if first < now.date():
            raise CommandError(f"--from: {first} is past; allowed is from today, {now.date()}, on.")
        found = places_for_everyone(
            site, first=first, weeks=options["weeks"], now=now, settings=site_settings(site, at)
        )
        self._say_by_hand(site, now)
        said = {
            "placed": [
                {
                    "patient_ref": row.patient_ref,
                    "date": row.place.on.isoformat(),
                    "start": f"{row.place.starts:%H:%M}",
                    "chair": row.place.chair_name,
                    "chance_over": None if row.chance is None else round(row.chance, 4),
                    "reason": row.reason,
                }
                for row in found.placed
            ],
            "left": [{"patient_ref": row.patient_ref, "reason": row.reason} for row in found.left],
            "proven_optimal": found.proven_optimal,
            "gap": round(found.gap, 6),
        }
        self.stdout.write(json.dumps(said, indent=2))

    def _say_by_hand(self, site: Site, now: datetime) -> None:
        """Say of whom no window is known and who has no place: they are in neither list."""
        refs = [row.patient_ref for row in people_of(site, now, site_settings(site, now)) if row.is_by_hand]
        if refs:
            self.stderr.write(f"No window is known and no place stands for {', '.join(refs)}: decided by hand.")
