"""Take HL7 v2 messages over MLLP until told to end (SIGTERM or Ctrl-C).

One process for one unit. Where Celery workers run they read what was kept, otherwise this process does.
"""

from __future__ import annotations

import asyncio
import signal
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import close_old_connections
from django.utils import timezone

from programme.core.management.sites import REFUSED, add_site_argument, site_asked_for
from programme.core.models import Site
from programme.intake.numeric.mllp import Frame
from programme.intake.services.listening import Listener
from programme.intake.services.reading import read_all
from programme.intake.services.receiving import Received, receive
from programme.intake.tasks import read_waiting

AT_A_TIME = 50


class Command(BaseCommand):
    help = "Listen for HL7 v2 results over MLLP, on this machine only unless told otherwise."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--host", default="127.0.0.1", help="address to listen on; MLLP has no encryption of its own"
        )
        parser.add_argument("--port", type=int, default=2575)
        add_site_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        site = site_asked_for(options["site"])
        try:
            asyncio.run(self._listen(site, options["host"], options["port"]))
        except (OSError, OverflowError) as trouble:
            where = f"{options['host']}:{options['port']}"
            raise CommandError(f"Cannot listen on {where}: {trouble}.", returncode=REFUSED) from trouble
        self.stderr.write("Ended; every message that was answered is kept.", str)

    async def _listen(self, site: Site, host: str, port: int) -> None:
        def take(frame: Frame) -> Received:
            close_old_connections()
            return receive(site=site, frame=frame, at=timezone.now())

        listener = Listener(receive=take, read=_read)
        loop = asyncio.get_running_loop()
        for name in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(name, listener.stop)
        await listener.run(host, port, self._say_where)

    def _say_where(self, host: str, port: int) -> None:
        self.stderr.write(f"Listening for results on {host}:{port}.", str)
        self.stderr.flush()


def _read() -> bool:
    """Read some of what waits, or have a worker read it; True where more may wait."""
    close_old_connections()
    if settings.CELERY_TASK_ALWAYS_EAGER:
        return read_all(clock=timezone.now, at_most=AT_A_TIME) > 0
    read_waiting.delay()
    return False
