"""Move everything into another database, such as from SQLite to PostgreSQL, and compare every table."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connections
from django.utils import timezone

from programme.core import keeping
from programme.core.databases import database_of

TARGET = "target"


class Command(BaseCommand):
    help = "Copies everything from the database of DATABASE_URL into an empty one: move_database --to postgres://…"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--to", required=True, metavar="URL", help="as DATABASE_URL is written")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            connections.databases[TARGET] = connections.databases["default"] | database_of(options["to"])
        except ImproperlyConfigured as error:
            raise CommandError(f"Nothing was moved. {error}") from error
        try:
            call_command("migrate", database=TARGET, verbosity=0)
            with keeping.snapshot() as using:
                told = keeping.load(keeping.dump(using, made_at=timezone.now()), using=TARGET)
        except keeping.BadBackup as error:
            raise CommandError(f"Nothing was moved. {error}") from error
        finally:
            connections[TARGET].close()
            del connections[TARGET]
            del connections.databases[TARGET]
        self.stdout.write(f"{told.row_count} rows in {len(told.rows)} tables are there, and every table is the same.")
        self.stderr.write("What is written to the old database from now on is not there: set DATABASE_URL anew.")
