"""Delete what is left of sign-ins that have ended."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from programme.core import signed_in


class Command(BaseCommand):
    help = "Deletes the sessions of sign-ins that have ended; nobody who is signed in notices."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{signed_in.clear_ended(at=timezone.now())} ended sign-ins were deleted.")
