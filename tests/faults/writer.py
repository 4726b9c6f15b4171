"""Writes weights of one person, one after another, each again under the same key until it is answered.

    python -m tests.faults.writer NAME COUNT

As a browser does that keeps an entry until the server has answered. Prints the number of each once it is.
"""

from __future__ import annotations

import os
import sys
import time

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "programme.settings")
django.setup()

from django.db import DatabaseError, InterfaceError, connection, transaction  # noqa: E402 -- after the set-up
from django.utils import timezone  # noqa: E402

from patients.models import Patient  # noqa: E402
from patients.services import record_measure  # noqa: E402
from programme.core import receipts  # noqa: E402
from programme.core.models import User  # noqa: E402

PATIENCE_S = 120.0


def write(name: str, number: int) -> None:
    """Record one weight; raises where the database does not answer."""
    actor, now = User.objects.get(username="writes"), timezone.now()

    def do() -> str:
        with transaction.atomic():
            patient = Patient.objects.get(patient_ref=name)
            kept = record_measure(patient=patient, on=now.date(), weight_kg=40.0 + number / 10.0, actor=actor, at=now)
        return str(kept.pk)

    receipts.once(key=f"{name}-{number}", actor=actor, at=now, action="record measure", do=do)


def main(name: str, count: int) -> int:
    give_up = time.monotonic() + PATIENCE_S
    for number in range(count):
        while True:
            try:
                write(name, number)
                break
            except (DatabaseError, InterfaceError):
                connection.close()
                if time.monotonic() > give_up:
                    return 1
                time.sleep(0.05)
        sys.stdout.write(f"{number}\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2])))
