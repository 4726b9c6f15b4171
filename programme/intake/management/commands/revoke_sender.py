"""Take nothing more from a sender: its token ends, and by HL7 its name is refused."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core.management.sites import REFUSED, WRONG_USE, add_site_argument, site_asked_for
from programme.core.models import EditedMeanwhile
from programme.intake.models import Sender
from programme.intake.services import senders


class Command(BaseCommand):
    help = "Takes nothing more from a sender of results: revoke_sender --sender 'Tidewater Laboratory'"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--sender", required=True, help="its name, as the page of senders lists it")
        add_site_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        site, name = site_asked_for(options["site"]), options["sender"].strip()
        row = Sender.objects.filter(site=site, name=name).first()
        if row is None:
            known = ", ".join(Sender.objects.filter(site=site).order_by("name").values_list("name", flat=True))
            raise CommandError(f"No sender is called {name!r}; listed are: {known or 'none'}.", returncode=WRONG_USE)
        try:
            senders.revoke_sender(row=row, version=row.version, actor=None, at=timezone.now())
        except (ValidationError, EditedMeanwhile) as refusal:
            said = " ".join(refusal.messages) if isinstance(refusal, ValidationError) else str(refusal)
            raise CommandError(f"Refused: {said}", returncode=REFUSED) from refusal
        self.stderr.write(f"Nothing more is taken from {name}. What it sent stays.", str)
