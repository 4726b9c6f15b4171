"""Bring a file of results in: the whole file or nothing.

Exit status: 0 done (or nothing new), 1 the file is refused, 2 wrong use.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core.management.sites import REFUSED, WRONG_USE, add_site_argument, site_asked_for
from programme.intake.numeric.csv_results import FaultyFile
from programme.intake.services.files import import_file, look_at_file
from programme.intake.services.keeping import NotKept


class Command(BaseCommand):
    help = "Bring a CSV file of results in: all of it or, where it has a fault, none of it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="the CSV file, UTF-8, with a header")
        add_site_argument(parser)
        parser.add_argument("--dry-run", action="store_true", help="only say what it would do; write nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            body = options["file"].read_bytes()
        except OSError as error:
            raise CommandError(f"{options['file']} cannot be read: {error.strerror}.", returncode=WRONG_USE) from error
        site = site_asked_for(options["site"])
        do = look_at_file if options["dry_run"] else import_file
        try:
            taken = do(site=site, body=body, at=timezone.now())
        except FaultyFile as refusal:
            for fault in refusal.faults:
                self.stderr.write(fault.line())
            self._refuse("the file has faults; nothing of it was taken.")
        except NotKept as refusal:
            self._refuse(str(refusal))
        else:
            for line in taken.lines if taken.is_new else ():
                if line.why:
                    self.stderr.write(f"{line.position}, {line.reference}: {line.why}", str)
            self.stderr.write(taken.words, str)

    def _refuse(self, why: str) -> None:
        self.stderr.write(f"Refused: {why}")
        sys.exit(REFUSED)
