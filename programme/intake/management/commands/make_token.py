"""List a sender of results and give it a token, printed this once. Its older one ends after the hours the site set."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core.management.sites import REFUSED, add_site_argument, site_asked_for
from programme.intake.numeric.tokens import KINDS, MOST_DAYS, USUAL_DAYS
from programme.intake.queries.senders import unlisted_senders
from programme.intake.services.senders import make_token


class Command(BaseCommand):
    help = "List a sender of results and print its token, this once: FHIR needs the token, HL7 needs to be listed."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--sender", required=True, help="its name; for HL7 MSH-3, MSH-4, or 'MSH-3 at MSH-4'")
        parser.add_argument(
            "--trust-references",
            action="store_true",
            default=None,
            help="take its references without a birth date beside them",
        )
        parser.add_argument(
            "--days", type=int, default=USUAL_DAYS, help=f"until it ends, 1 to {MOST_DAYS}; default {USUAL_DAYS}"
        )
        parser.add_argument(
            "--kinds", nargs="+", help=f"what it may send by FHIR; default as before, at first {' '.join(KINDS)}"
        )
        add_site_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        site = site_asked_for(options["site"])
        try:
            token = make_token(
                site=site, name=options["sender"], at=timezone.now(), trusts_references=options["trust_references"],
                days=options["days"], kinds=options["kinds"],
            )  # fmt: skip
        except ValidationError as refusal:
            raise CommandError(f"Refused: {' '.join(refusal.messages)}", returncode=REFUSED) from refusal
        self.stdout.write(token)
        name, days = options["sender"].strip(), options["days"]
        self.stderr.write(f"This is the token of {name}; it cannot be shown again. It ends after {days} days.", str)
        refused = ", ".join(repr(one.name) for one in unlisted_senders(site))
        if refused:
            self.stderr.write(
                f"Not listed, so refused from now on by HL7: {refused}. List each that is still to send.", str
            )
