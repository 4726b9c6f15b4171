"""Print who may send results, what each token is for, when it was last used and when it ends."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from programme.core.management.sites import REFUSED, add_site_argument, site_asked_for
from programme.intake.queries.senders import SenderLine, senders_of


class Command(BaseCommand):
    help = (
        "Prints who may send results, by tabs: name, state, end and kinds of the token, last use, and till when the "
        "old token opens too. "
        "Exit 1 where a token that is used has ended or soon will."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        add_site_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        lines = senders_of(site_asked_for(options["site"]), timezone.now())
        for line in lines:
            self.stdout.write("\t".join(_cells(line)))
        warned = [line.sender.name for line in lines if line.warns]
        if warned:
            self.stderr.write(
                f"Ended or ending within a month, or still with the old token: {', '.join(warned)}. Give each a new "
                "token, or see that the new one is used.",
                str,
            )
            raise SystemExit(REFUSED)


def _cells(line: SenderLine) -> tuple[str, ...]:
    row = line.sender
    state = "may send" if row.is_active else "revoked"
    if line.days_left is None or row.token_until is None:
        return row.name, state, "no token", "", "", ""
    used = f"last used {row.token_used_at:%Y-%m-%d}" if row.token_used_at else "never used"
    ended = "ended" if line.has_ended else "ends"
    old = f"old one till {row.old_until:%Y-%m-%d %H:%M} UTC" if line.old_opens and row.old_until else ""
    return row.name, state, f"{ended} {row.token_until:%Y-%m-%d}", row.token_kinds, used, old
