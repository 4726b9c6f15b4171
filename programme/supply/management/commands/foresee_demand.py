"""Make and store the demand of every site, as every night; for units without workers."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from programme.supply.tasks import foresee_demand


class Command(BaseCommand):
    help = "Stores the units foreseen for the next thirteen weeks at every site, and looks back once a week."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stderr.write(f"Demand was foreseen for {foresee_demand()} site(s).")
