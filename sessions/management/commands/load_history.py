"""Bring a file of past sessions in: all of it, or none of it.

Exit status: 0 done (or nothing new), 1 the file is refused, 2 wrong use.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction
from django.utils import timezone
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from programme.core.management.sites import REFUSED, WRONG_USE, add_site_argument, site_asked_for
from programme.core.models import Site
from programme.core.numeric.words import count_of
from sessions.history.bring_in import BroughtIn, Refused, bring_in

FIRST_SITE = {"code": "unit", "name": "Day unit"}


class Command(BaseCommand):
    help = "Bring a CSV file of past exchange sessions in: all of it or, where it has a fault, none of it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="the CSV file, UTF-8, with a header")
        add_site_argument(parser)
        parser.add_argument("--dry-run", action="store_true", help="only check; write nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            data = options["file"].read_bytes()
        except OSError as error:
            raise CommandError(f"{options['file']} cannot be read: {error.strerror}.", returncode=WRONG_USE) from error
        bar = _bar()
        first = options["site"] is None and not Site.objects.exists()
        try:
            with bar, transaction.atomic():
                site = Site.objects.create(**FIRST_SITE) if first else site_asked_for(options["site"])
                done = bring_in(site=site, data=data, actor=None, at=timezone.now(), progress=_reporter(bar))
                transaction.set_rollback(options["dry_run"])
        except Refused as refusal:
            self._refuse(refusal)
        if first:
            verb = "would be" if options["dry_run"] else "was"
            self._say(f"There was no site yet: the site {site.code!r} ({site.name}) {verb} made for these records.")
        self._tell(done, dry_run=options["dry_run"])

    def _refuse(self, refusal: Refused) -> None:
        for fault in refusal.look.faults:
            self.stderr.write(fault.line())
        self.stderr.write(f"Refused: {refusal}")
        sys.exit(REFUSED)

    def _say(self, text: str) -> None:
        """Write what is no error to standard error, without the colour of errors."""
        self.stderr.write(text, str)

    def _tell(self, done: BroughtIn, *, dry_run: bool) -> None:
        for question in done.look.questions:
            self._say(f"Question: {question.line()}")
        verb = "Would bring in" if dry_run else "Brought in"
        self._say(
            f"{verb} {count_of(done.n_sessions, 'session')} with {count_of(done.n_results, 'result')}; "
            f"{count_of(done.n_people, 'new person', 'new people')}, {count_of(done.n_goals, 'dated goal')}. "
            f"{count_of(done.look.same, 'session was', 'sessions were')} stored already."
        )


def _bar() -> Progress:
    """A progress bar on standard error, shown on a terminal only."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description:>10}"), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    return Progress(*columns, TimeElapsedColumn(), console=console, disable=not console.is_terminal, transient=True)


def _reporter(bar: Progress) -> Any:
    tasks: dict[str, Any] = {}

    def report(stage: str, done: int, total: int) -> None:
        if stage not in tasks:
            tasks[stage] = bar.add_task(stage, total=total)
        bar.update(tasks[stage], completed=done, total=total)

    return report
