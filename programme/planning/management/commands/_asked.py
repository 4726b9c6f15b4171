"""What both printing commands ask for: a day, people, and what-if questions."""

from __future__ import annotations

import json
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import CommandError, CommandParser, OutputWrapper
from django.utils import timezone

from programme.core.management.sites import add_site_argument, site_asked_for
from programme.core.numeric.quantities import BadNumber, parse_number
from programme.planning.numeric.people import WhatIf
from programme.planning.reckoning import SiteAsOf


def add_arguments(parser: CommandParser) -> None:
    parser.add_argument(
        "--as-of", type=date.fromisoformat, metavar="DATE", help="what was known at the end of this day"
    )
    add_site_argument(parser)
    parser.add_argument("--patient", action="append", metavar="REF", help="print this person only (repeatable)")
    parser.add_argument("--threshold", metavar="PCT", help="what if the ceiling were this for everybody")
    parser.add_argument("--breach-risk", metavar="CHANCE", help="what if this chance of being over were accepted")
    parser.add_argument("--interval-days", metavar="DAYS", help="what if the next interval were this")
    parser.add_argument("--format", choices=["json"], default="json")


def what_if(options: dict[str, Any]) -> WhatIf:
    """Return the questions asked, refusing what cannot be."""
    try:
        return WhatIf(
            ceiling_pct=_asked(options, "threshold", 5, 95, "%"),
            accepted_chance=_asked(options, "breach_risk", 0.001, 0.999, ""),
            interval_days=_days(options),
        )
    except BadNumber as error:
        raise CommandError(str(error)) from error


def asked_for(options: dict[str, Any]) -> tuple[SiteAsOf, WhatIf]:
    """Return the site as of the day asked for, with everyone in it, whoever is printed; and the questions."""
    asked = what_if(options)
    site = site_asked_for(options["site"])
    as_of = options["as_of"] or timezone.now().astimezone(ZoneInfo(site.time_zone)).date()
    seen = SiteAsOf(site, as_of)
    known = {record.patient_ref for record in seen.grounds.records}
    unknown = [ref for ref in options["patient"] or () if ref not in known]
    if unknown:
        raise CommandError(f"No active person is called {', '.join(unknown)} at {site.name}.")
    return seen, asked


def wanted(ref: str, options: dict[str, Any]) -> bool:
    return not options["patient"] or ref in options["patient"]


def print_json(rows: list[dict[str, Any]], out: OutputWrapper) -> None:
    """Write the array, a person on a line."""
    lines = ",\n".join(json.dumps(row, allow_nan=False) for row in rows)
    out.write(f"[{lines}]")


def _asked(options: dict[str, Any], name: str, low: float, high: float, unit: str) -> float | None:
    text = options[name]
    return (
        None if text is None else parse_number(text, name=f"--{name.replace('_', '-')}", low=low, high=high, unit=unit)
    )


def _days(options: dict[str, Any]) -> int | None:
    days = _asked(options, "interval_days", 7, 84, "days")
    if days is not None and days != int(days):
        raise BadNumber(f"--interval-days: {days:g} is not a whole number of days.")
    return None if days is None else int(days)
