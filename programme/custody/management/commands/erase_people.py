"""Erase the records whose erasure two people have signed and whose wait is over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core.backups import note_erased
from programme.custody.queries.erasing import back_again, due
from programme.custody.services.erasing import erase
from programme.worklist.uploads import clear_stale


class Command(BaseCommand):
    help = (
        "Erases the records that are due, each in a transaction of its own; started again, it goes on. It asks nothing."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--dry-run", action="store_true", help="say what is due and erase nothing")
        parser.add_argument(
            "--back", type=Path, metavar="FOLDER",
            help="after a restore: say whose records are back that the list in the backups' folder says were erased",
        )  # fmt: skip

    def handle(self, *args: Any, **options: Any) -> None:
        if options["back"] is not None:
            self._say_back(options["back"])
            return
        rows = due(timezone.now())
        if options["dry_run"]:
            for row in rows:
                self.stdout.write(f"{row.site.code}: {row.number} is due since {row.due_at:%Y-%m-%d %H:%M} UTC")
            return
        clear_stale(timezone.now())  # of files that wait on a page nobody knows whom they name
        refused = 0
        for row in rows:
            try:
                done = erase(erasure=row, actor=None, at=timezone.now())
            except ValidationError as error:
                refused += 1
                self.stderr.write(f"{row.site.code}: {row.number} is not erased. {' '.join(error.messages)}")
            else:
                self.stdout.write(f"{row.site.code}: {row.number} is erased, {sum(done.rows.values())} rows.")
        if settings.BACKUP_FOLDER is not None:
            note_erased(settings.BACKUP_FOLDER)
        if refused:
            raise CommandError(f"{refused} of {len(rows)} records were not erased; their pages say why.")

    def _say_back(self, folder: Path) -> None:
        back = back_again(folder)
        for number, erased_on, person in back:
            self.stdout.write(f"{person.site.code}: {person.patient_ref} is back, erased on {erased_on} as {number}.")
        if back:
            raise CommandError("Ask for each again, with two people; the reason may name the number of the first time.")
        self.stdout.write("Nobody of that list is back.")
