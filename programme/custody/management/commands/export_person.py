"""Write all that is stored of one person into a folder: a FHIR R4 bundle and a readable PDF."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from patients.models import Patient
from programme.core.management.sites import REFUSED, WRONG_USE, add_site_argument, site_asked_for
from programme.custody.pdf import person_pdf
from programme.custody.services.exporting import Export, export_person


class Command(BaseCommand):
    help = "Writes everything stored of one person: export_person R001 --to /safe/place --reason 'asked for by herself'"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("reference", help="the unit's own reference of the person")
        parser.add_argument(
            "--to", required=True, type=Path, help="a folder that is there; files in it are not replaced"
        )
        parser.add_argument("--reason", required=True, help="to whom it is given and why; it stands in the trail")
        add_site_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        site, folder = site_asked_for(options["site"]), options["to"]
        patient = Patient.objects.filter(site=site, patient_ref=options["reference"]).first()
        if patient is None:
            raise CommandError(
                f"Nothing was written. Nobody at {site} is {options['reference']!r}.", returncode=WRONG_USE
            )
        if not folder.is_dir():
            raise CommandError(f"Nothing was written. {folder} is not a folder.", returncode=WRONG_USE)
        now = timezone.now().astimezone(ZoneInfo(site.time_zone))
        try:
            given = export_person(
                patient=patient, why=options["reason"], actor=None, at=now,
                to_paper=lambda stored: person_pdf(stored, made_by="a command on the machine", made_at=now),
            )  # fmt: skip
            _write(folder, given)
        except (ValidationError, OSError) as refusal:
            said = " ".join(refusal.messages) if isinstance(refusal, ValidationError) else str(refusal)
            raise CommandError(f"No file was written. {said}", returncode=REFUSED) from refusal
        for name, _ in given.files:
            self.stdout.write(str(folder / name))


def _write(folder: Path, given: Export) -> None:
    """Write both files, readable by their owner alone; on a fault neither stays."""
    written: list[Path] = []
    try:
        for name, content in given.files:
            path = folder / name
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            written.append(path)
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                os.fsync(file.fileno())
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise
