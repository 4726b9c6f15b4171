"""Fill an empty database from a backup, and compare every table; or only look whether a backup is whole."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from programme.core import backups, keeping, locked_files, seals


class Command(BaseCommand):
    help = "Restores a backup into the empty, migrated database of DATABASE_URL: restore FILE --key-file KEY [--check]"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--key-file", type=Path, required=True)
        parser.add_argument("--check", action="store_true", help="read it through and write nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        lines = locked_files.read_lines(options["file"], key_file=options["key_file"])
        try:
            told = keeping.read_through(lines) if options["check"] else keeping.load(lines, using="default")
        except (keeping.BadBackup, locked_files.BadKey, locked_files.CannotRead) as error:
            raise CommandError(f"Nothing was restored. {error}") from error
        words = "is whole" if options["check"] else "is restored, and every table is as it was kept"
        self.stdout.write(f"The backup of {told.made_at} {words}: {told.row_count} rows in {len(told.rows)} tables.")
        if not options["check"]:
            self._say_trail()
            self._say_erased(options["file"].absolute().parent)

    def _say_trail(self) -> None:
        found = seals.faults()
        if found:
            self.stderr.write(f"Its trail had {len(found)} faults when it was kept:\n" + "\n".join(found))
        else:
            self.stdout.write("The trail is whole. Everybody signs in anew.")

    def _say_erased(self, folder: Path) -> None:
        """Say whose records are back that were erased after the backup was made, as far as the list beside it goes."""
        back = backups.erased_since(folder)
        for one in back:
            self.stderr.write(
                f"BACK AGAIN: person number {one['person']} of {one['site']} was erased on {one['erased_at'][:10]} "
                f"({one['number']}). Ask for it again, with two people, before anybody works with this database; "
                "erase_people --back says whose it is."
            )
        if not back:
            self.stdout.write(
                "No list beside this backup says that a record in it was erased since; hold it against the papers too."
            )
