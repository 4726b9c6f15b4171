"""Print, for every active person, when to come next, how low to finish and the session that would do it."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from programme.planning.management.commands import _asked
from programme.planning.reckoning import printed_plans


class Command(BaseCommand):
    help = "Prints the suggested next date, end target and session of everyone as JSON; reads only."

    def add_arguments(self, parser: CommandParser) -> None:
        _asked.add_arguments(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        seen, asked = _asked.asked_for(options)
        plans = printed_plans(seen.reckoned(what_if=asked))
        _asked.print_json([plan for plan in plans if _asked.wanted(str(plan["patient_ref"]), options)], self.stdout)
