"""Print what waits in the inbox."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from programme.core.management.sites import add_site_argument, site_asked_for
from programme.intake.queries.shown import inbox_of


class Command(BaseCommand):
    help = "Print what arrived and waits for a person, the most urgent first."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--format", choices=["json"], default="json")
        add_site_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(json.dumps(inbox_of(site_asked_for(options["site"])), ensure_ascii=False, indent=1))
