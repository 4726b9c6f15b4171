"""Print the stored results of one person."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from patients.models import Patient
from programme.core.management.sites import REFUSED, add_site_argument, site_asked_for
from programme.intake.queries.shown import results_of


class Command(BaseCommand):
    help = "Print every stored result of a person, and whether it counts."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--patient", required=True, help="the unit's own reference of the person")
        parser.add_argument("--format", choices=["json"], default="json")
        add_site_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        site = site_asked_for(options["site"])
        patient = Patient.objects.of_site(site).filter(patient_ref=options["patient"]).select_related("site").first()
        if patient is None:
            raise CommandError(f"Nobody at {site.code} has the reference {options['patient']!r}.", returncode=REFUSED)
        self.stdout.write(json.dumps(results_of(patient), ensure_ascii=False, indent=1))
