"""Take the second proof from somebody who lost telephone and recovery codes."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core import second_proof
from programme.core.models import User


class Command(BaseCommand):
    help = "Takes the second proof from a user: reset_second_proof a.fenwick --reason 'telephone lost; known in person'"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--reason", required=True, help="kept in the trail; say how you know who asks")

    def handle(self, *args: Any, **options: Any) -> None:
        user = User.objects.filter(username=options["username"]).first()
        if user is None:
            raise CommandError(f"Nothing was changed. Nobody signs in as {options['username']!r}.")
        try:
            second_proof.reset(user=user, reason=options["reason"], at=timezone.now())
        except ValueError as error:
            raise CommandError(f"Nothing was changed. {error}") from error
        self.stderr.write(f"{user.full_name} signs in with the password alone until a second proof is set up again.")
