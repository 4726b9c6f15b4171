"""Take the files that a laboratory puts into a folder: .hl7 (one message each) and .csv.

Each goes to done/, or to refused/ with the reason beside it. Exit status: 0 done, 1 something was refused, 2 wrong use.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import close_old_connections
from django.utils import timezone

from programme.core.management.sites import REFUSED, WRONG_USE, add_site_argument, site_asked_for
from programme.core.models import Site
from programme.intake.services.folder import collect


class Command(BaseCommand):
    help = "Take the files of results that lie in a folder, once or again and again."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path)
        add_site_argument(parser)
        parser.add_argument("--settled-for", type=float, default=5, metavar="SECONDS",
                            help="leave a file alone that was written to more lately than that")  # fmt: skip
        parser.add_argument("--every", type=float, metavar="SECONDS", help="look again and again, until ended")

    def handle(self, *args: Any, **options: Any) -> None:
        folder, site = options["folder"], site_asked_for(options["site"])
        if not folder.is_dir():
            raise CommandError(f"{folder} is no folder.", returncode=WRONG_USE)
        if options["every"] is None:
            sys.exit(REFUSED if self._once(folder, site, options["settled_for"]) else 0)
        while True:
            close_old_connections()
            self._once(folder, site, options["settled_for"])
            time.sleep(max(options["every"], 1))

    def _once(self, folder: Path, site: Site, settled_for: float) -> int:
        refused = 0
        try:
            for file in collect(folder, site=site, clock=timezone.now, settled_for=settled_for):
                refused += file.is_refused
                self.stderr.write(f"{file.name}: {'refused: ' if file.is_refused else ''}{file.words}", str)
        except OSError as trouble:
            raise CommandError(f"{trouble.filename}: {trouble.strerror}.", returncode=REFUSED) from trouble
        return refused
