"""Print forecasts of the measured HbS (and Hb) before the next session, on given days after the last one."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from programme.planning.management.commands import _asked
from programme.planning.reckoning import printed_forecasts

LONGEST_DAYS = 365


class Command(BaseCommand):
    help = "Prints p10, p50 and p90 of HbS on the days asked for, counted from each person's last session; reads only."

    def add_arguments(self, parser: CommandParser) -> None:
        _asked.add_arguments(parser)
        parser.add_argument("--days", required=True, metavar="14,28,42", help="days after the last session")

    def handle(self, *args: Any, **options: Any) -> None:
        days = read_days(options["days"])
        seen, _ = _asked.asked_for(options)  # goals change nothing in how HbS climbs
        rows = printed_forecasts(seen.grounds, days)
        _asked.print_json([row for row in rows if _asked.wanted(str(row["patient_ref"]), options)], self.stdout)


def read_days(text: str) -> list[int]:
    """Read whole days separated by commas."""
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isdecimal() and 0 < int(part) <= LONGEST_DAYS for part in parts):
        raise CommandError(
            f"--days: {text!r} is not understood; write whole days from 1 to {LONGEST_DAYS}, as 14,28,42."
        )
    return [int(part) for part in parts]
