"""Open sign-in again for somebody whose name was closed after too many wrong tries."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core import sign_ins
from programme.core.models import User


class Command(BaseCommand):
    help = (
        "Forgets the wrong tries counted against a name: open_sign_in a.fenwick --reason 'rang, wrong tries were hers'"
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--reason", required=True, help="kept in the trail")

    def handle(self, *args: Any, **options: Any) -> None:
        user = User.objects.filter(username=options["username"]).first()
        if user is None:
            raise CommandError(f"Nothing was changed. Nobody signs in as {options['username']!r}.")
        try:
            failures = sign_ins.open_again(user=user, reason=options["reason"], at=timezone.now())
        except ValueError as error:
            raise CommandError(f"Nothing was changed. {error}") from error
        self.stderr.write(f"Sign-in is open for {user.full_name}; {failures} wrong tries are forgotten.")
