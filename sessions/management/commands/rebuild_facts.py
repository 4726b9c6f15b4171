"""Build the facts of all sessions anew: after a new version of the code, or a change of the site's unit or assay.

What was reckoned from them is stale from then on; the nightly replan renews it.
"""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import transaction
from django.utils import timezone

from patients.models import Patient
from patients.services import raise_data_version
from programme.core.management.sites import add_site_argument, sites_asked_for
from sessions.facts import PEOPLE_AT_ONCE, rebuild_facts


class Command(BaseCommand):
    help = "Build the facts of all carried-out sessions anew."

    def add_arguments(self, parser: CommandParser) -> None:
        add_site_argument(parser, "every site by default")

    def handle(self, *args: Any, **options: Any) -> None:
        sites = sites_asked_for(options["site"])
        at = timezone.now()
        pks = list(Patient.objects.filter(site__in=sites).order_by("pk").values_list("pk", flat=True))
        for start in range(0, len(pks), PEOPLE_AT_ONCE):
            some = pks[start : start + PEOPLE_AT_ONCE]
            with transaction.atomic():  # the facts and the version that makes others stale change together
                rebuild_facts(some, at)
                raise_data_version(some)
        self.stderr.write(f"Built the facts of {len(pks)} people anew.", str)
