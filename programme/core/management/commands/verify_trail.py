"""Look through the whole trail for anything changed, missing or out of order."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from programme.core import seals
from programme.core.models import Site, TrailEntry


class Command(BaseCommand):
    help = "Verifies every chain of the trail and what the nightly seals say of their ends; exits with 1 on any fault."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--noted",
            action="append",
            default=[],
            metavar="HASH",
            help="the end of a seal as it was noted outside this database; it must still be there (may be repeated)",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        found = seals.faults() + [_lost(noted) for noted in options["noted"] if not _is_there(noted)]
        if found:
            raise CommandError(f"{len(found)} faults in the trail:\n" + "\n".join(found))
        chains = TrailEntry.objects.order_by().values("chain").distinct().count()
        self.stdout.write(f"{TrailEntry.objects.count()} entries in {chains} chains: whole.")
        for site in Site.objects.order_by("code"):
            last = seals.seals_of(site).last()
            self.stdout.write(
                f"{site.code}: last sealed {last.at:%Y-%m-%d %H:%M} UTC, entry {last.number}, {last.hash}"
                if last
                else f"{site.code}: never sealed; entries cut off the end of a chain would not show. Run seal_trail."
            )


def _is_there(noted: str) -> bool:
    return len(noted) >= 16 and TrailEntry.objects.filter(action=seals.SEALED, hash__startswith=noted.lower()).exists()


def _lost(noted: str) -> str:
    return f"the seal noted as {noted} is not here (at least 16 digits of its hash are needed)"
