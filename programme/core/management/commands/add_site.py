"""Add a day unit."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core import services


class Command(BaseCommand):
    help = (
        "Adds a day unit: add_site saltmarsh 'Saltmarsh Day Unit' --time-zone Europe/London --country GB --region ENG"
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("code")
        parser.add_argument("name")
        parser.add_argument("--time-zone", default="Europe/London")
        parser.add_argument("--country", default="GB")
        parser.add_argument(
            "--region", default="", help="needed where bank holidays differ by region: ENG, NIR, SCT, WLS"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        fields = {name: options[name] for name in ("code", "name", "time_zone", "country", "region")}
        try:
            site = services.add_site(at=timezone.now(), **fields)
        except services.UnableToAdd as error:
            raise CommandError(f"No site was added. {error}") from error
        self.stderr.write(f"Added {site.name}.")
