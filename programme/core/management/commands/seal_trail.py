"""Seal the trail: name the ends of all chains, so that nothing can be cut off them unseen."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from programme.core import seals
from programme.core.models import Site


class Command(BaseCommand):
    help = "Seals the trail of every site and prints each seal's hash; note it where this database's keepers cannot."

    def handle(self, *args: Any, **options: Any) -> None:
        for site in Site.objects.order_by("code"):
            entry = seals.seal(site=site, at=timezone.now())
            self.stdout.write(f"{site.code}: sealed {len(seals.ends_in(entry))} chains, {entry.hash}")
