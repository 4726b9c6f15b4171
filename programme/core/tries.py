"""Failed tries in a row, by what a name is counted under and by source; a proof that fits begins its count anew."""

from __future__ import annotations

from datetime import datetime

from django.db.models import F
from django.utils.crypto import salted_hmac

from programme.core.models import SignInTries, User
from programme.core.numeric.throttle import MOST_AT_A_SCREEN

AGAIN, AT_A_SCREEN = "own password again", "at a screen"
"""Sources that are no sign-in (`proofs.py`, `services.prove`); signing in begins them anew too."""


def account_of(name: str) -> str:
    """Return what a name is counted under: a keyed hash, since a password may have been typed as a name."""
    return salted_hmac("sign-in name", name, algorithm="sha256").hexdigest()


def count(account: str, source: str, *, user: User | None, at: datetime) -> None:
    """Count a failure, or a try that is to be looked at. user: None for a name that nobody has."""
    SignInTries.objects.get_or_create(account=account, source=source, defaults={"user": user, "last_at": at})
    SignInTries.objects.filter(account=account, source=source).update(failures=F("failures") + 1, last_at=at)


def forget(user: User, source: str) -> None:
    """Begin the count of a source anew."""
    SignInTries.objects.filter(account=account_of(user.username), source=source).delete()


def is_closed_at_screens(user: User) -> bool:
    """Say whether name and PIN of somebody failed so often in a row that they are not asked before they sign in."""
    tried = SignInTries.objects.filter(account=account_of(user.username), source=AT_A_SCREEN).first()
    return tried is not None and tried.failures >= MOST_AT_A_SCREEN
