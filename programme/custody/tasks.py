"""What is done each night about records: those whose erasure is due are erased."""

from __future__ import annotations

from django.core.management import call_command

from programme.celery import app


@app.task(name="erase_due")
def erase_due() -> None:
    """Erase every record whose erasure two people signed and whose wait is over; what is refused stays and is told."""
    call_command("erase_people")
