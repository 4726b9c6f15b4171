"""Bring every stale forecast and suggestion up to a day."""

from __future__ import annotations

from datetime import date
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone
from rich.console import Console
from rich.progress import Progress, TaskID

from programme.core.management.sites import add_site_argument, sites_asked_for
from programme.planning import replan as replanning


class Command(BaseCommand):
    help = "Renews stale forecasts and suggestions; run it every night. Safe to run twice or after a crash."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--as-of", type=date.fromisoformat, help="the day to plan from (default: today)")
        add_site_argument(parser, "every site by default")
        parser.add_argument("--everyone", action="store_true", help="renew all, not only who is stale")
        parser.add_argument("--refit", action="store_true", help="fit the drift model anew first")

    def handle(self, *args: Any, **options: Any) -> None:
        for site in sites_asked_for(options["site"]):
            as_of = options["as_of"] or timezone.now().astimezone(ZoneInfo(site.time_zone)).date()
            with Progress(console=Console(stderr=True), transient=True) as bar:
                task = bar.add_task(site.name, total=None)
                done = replanning.replan(
                    site=site,
                    as_of=as_of,
                    clock=timezone.now,
                    everyone=options["everyone"],
                    refit=options["refit"],
                    progress=partial(_show, bar, task),
                )
            words = "taken up again, " if done.resumed else ""
            self.stderr.write(f"{site.name}: {words}{done.renewed} of {done.people} people renewed as of {as_of}.")
            if done.held_by_others:
                self.stderr.write(
                    f"{site.name}: another worker holds {done.held_by_others} chunks; if it has died, "
                    f"start again in {replanning.LEASE.seconds // 60} minutes."
                )


def _show(bar: Progress, task: TaskID, done: int, of: int) -> None:
    bar.update(task, completed=done, total=of)
