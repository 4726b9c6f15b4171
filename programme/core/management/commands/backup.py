"""Keep a copy of the whole database, as it is at one moment, in one locked file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core import backups, keeping, locked_files


class Command(BaseCommand):
    help = (
        "Backs up the database while the programme may be in use: backup FOLDER --key-file KEY [--keep-days N]. "
        "Without FOLDER and KEY as the environment says: BACKUP_FOLDER, BACKUP_KEY_FILE, BACKUP_KEEP_DAYS."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, nargs="?")
        parser.add_argument("--key-file", type=Path, help="a key of backup_key, or its public half")
        parser.add_argument("--keep-days", type=int, help="then delete what is older, but never the newest three")

    def handle(self, *args: Any, **options: Any) -> None:
        folder, key_file, days = options["folder"], options["key_file"], options["keep_days"]
        if folder is None and key_file is None:
            folder, key_file = settings.BACKUP_FOLDER, settings.BACKUP_KEY_FILE
            days = settings.BACKUP_KEEP_DAYS if days is None else days
        if folder is None or key_file is None:
            raise CommandError("Nothing was backed up. Give a folder and --key-file, or set BACKUP_FOLDER and its key.")
        if days is not None and days < 1:
            raise CommandError(f"Nothing was backed up. --keep-days {days}: at least 1 is allowed.")
        try:
            path = backups.make(folder=folder, key_file=key_file, clock=timezone.now)
        except (locked_files.BadKey, locked_files.CannotRead, keeping.BadBackup, OSError) as error:
            raise CommandError(f"Nothing was backed up, and earlier backups stand. {error}") from error
        gone = backups.delete_older(folder=folder, days=days, at=timezone.now()) if days is not None else []
        self.stdout.write(str(path))
        said = f"{path.stat().st_size} bytes, proved by reading; {len(gone)} older backups were deleted."
        self.stderr.write(said)
