"""Build the facts of all sessions anew: after a new version of the code, or a change of the site's unit or assay.

What was reckoned from them is stale from then on; the nightly replan renews it.
"""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction
from django.utils import timezone

from patients.models import Patient
from patients.services import raise_data_version
from programme.core.models import Site
from sessions.facts import PEOPLE_AT_ONCE, rebuild_facts

WRONG_USE = 2


class Command(BaseCommand):
    help = "Build the facts of all carried-out sessions anew."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--site", help="code of the site; every site by default")

    def handle(self, *args: Any, **options: Any) -> None:
        sites = Site.objects.order_by("code")
        if options["site"] is not None:
            sites = sites.filter(code=options["site"])
            if not sites:
                raise CommandError(f"There is no site {options['site']!r}.", returncode=WRONG_USE)
        at = timezone.now()
        pks = list(Patient.objects.filter(site__in=sites).order_by("pk").values_list("pk", flat=True))
        for start in range(0, len(pks), PEOPLE_AT_ONCE):
            some = pks[start : start + PEOPLE_AT_ONCE]
            with transaction.atomic():  # the facts and the version that makes others stale change together
                rebuild_facts(some, at)
                raise_data_version(some)
        self.stderr.write(f"Built the facts of {len(pks)} people anew.", str)
