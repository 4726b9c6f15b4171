"""Delete what is left of sign-ins that have ended, and of tries and browsers that are past their time."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from programme.core import sign_ins, signed_in


class Command(BaseCommand):
    help = (
        "Deletes the sessions of sign-ins that have ended, browsers on which nobody has signed in for 180 days, wrong "
        "tries with names nobody has after a day, and after 180 days from where others came. Nobody who is signed in "
        "notices."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        old = sign_ins.forget_old(at=now)
        self.stdout.write(f"{signed_in.clear_ended(at=now)} ended sign-ins were deleted.")
        self.stdout.write(f"{old} old browsers and sources of wrong tries were forgotten.")
