"""Giving away all that is stored of one person: a FHIR bundle and a paper, with who and why in the trail."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction

from patients.models import Patient
from patients.services import need_reason
from programme.core import trail
from programme.core.models import User
from programme.custody.numeric.bundle import bundle_of
from programme.custody.numeric.rows import StoredPerson
from programme.custody.queries.everything import everything_of

EXPORTED = "export person"
Print = Callable[[StoredPerson], bytes]


@dataclass(frozen=True, slots=True)
class Export:
    """What is given away. name: of its files, without the reference, which would stand in every list of downloads."""

    name: str
    bundle: bytes
    paper: bytes

    @property
    def files(self) -> tuple[tuple[str, bytes], ...]:
        return (f"{self.name}.fhir.json", self.bundle), (f"{self.name}.pdf", self.paper)


def export_person(*, patient: Patient, why: str, actor: User | None, at: datetime, to_paper: Print) -> Export:
    """Return all that is stored of a person as of now, and write who took it and why. Raises ValidationError.

    to_paper: makes the readable paper of what was read; it takes seconds, in which nobody's writing may wait. at: with
    the unit's time zone. The entry of the trail holds the SHA-256 of the bundle, so that a file can be told to be this
    one; it is not in the file itself, and it is written before anything is given away.
    """
    why = need_reason(why)
    with transaction.atomic():
        locked = Patient.objects.select_for_update(of=("self",)).select_related("site").get(pk=patient.pk)
        stored = everything_of(locked)
    bundle = json.dumps(bundle_of(stored, made_at=at), ensure_ascii=False, indent=1, allow_nan=False).encode()
    paper = to_paper(stored)
    said = {"rows": len(stored.rows), "sha256": hashlib.sha256(bundle).hexdigest()}
    entry = trail.Change(
        locked.site_id, locked.pk, EXPORTED, "patients.Patient", locked.pk, locked.version, why=why, after=said
    )  # fmt: skip
    with transaction.atomic():
        trail.write([entry], actor=actor, at=at)
    return Export(f"person-{locked.pk}-{at:%Y%m%d-%H%M}", bundle, paper)
