"""Make the key that locks and opens backups."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from programme.core import locked_files


class Command(BaseCommand):
    help = "Makes a key for backups: backup_key FILE. Without this file no backup can be opened, by anybody."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            public = locked_files.make_key(options["file"])
        except (locked_files.BadKey, OSError) as error:
            raise CommandError(f"No key was made. {error}") from error
        self.stdout.write(public)
        self.stderr.write(
            f"The key is in {options['file']}. Keep a copy of it away from this machine and from the backups: whoever "
            "has both reads everything, and without it nothing can be restored. The line above is its public half, "
            "which only locks: the machine that makes backups needs no more."
        )
