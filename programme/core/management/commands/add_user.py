"""Add someone who signs in; the password is asked for, or read from standard input."""

from __future__ import annotations

import getpass
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core import services
from programme.core.models import Role, Site


class Command(BaseCommand):
    help = "Adds a user: add_user a.fenwick 'A. Fenwick' --role nurse --site saltmarsh"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("username")
        parser.add_argument("full_name")
        parser.add_argument("--role", required=True, choices=Role.values)
        parser.add_argument("--site", required=True, help="code of the site")

    def handle(self, *args: Any, **options: Any) -> None:
        site = Site.objects.filter(code=options["site"]).first()
        if site is None:
            known = ", ".join(Site.objects.order_by("code").values_list("code", flat=True)) or "none"
            raise CommandError(f"No user was added. There is no site {options['site']!r}; sites are: {known}.")
        try:
            services.add_user(
                username=options["username"],
                full_name=options["full_name"],
                role=options["role"],
                site=site,
                password=read_password(),
                at=timezone.now(),
            )
        except services.UnableToAdd as error:
            raise CommandError(f"No user was added. {error}") from error
        self.stderr.write(f"Added {options['full_name']}, {options['role']}, at {site.name}.")


def read_password() -> str:
    """Ask twice on a terminal; else take the first line of standard input."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("Password (at least 15 characters): ")
    if first != getpass.getpass("Again: "):
        raise CommandError("No user was added. The two passwords differ.")
    return first
