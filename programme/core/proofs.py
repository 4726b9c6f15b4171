"""The own password asked again of who is signed in: counted, slowed, and ended in a row until the next sign-in.

What fails here counts apart from signing in, so that nobody who stands at a screen shuts its owner out of signing in;
signing in begins every count anew.
"""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from programme.core import trail
from programme.core.models import SignInTries, User
from programme.core.numeric.throttle import MOST_AGAIN, minutes_left
from programme.core.tries import AGAIN, account_of, count, forget

REFUSED_AGAIN = "refused own password"
WRONG_AGAIN = "The password is not this one. Nothing was changed."


def prove_again(*, user: User, password: str, at: datetime) -> None:
    """Take the own password of who is signed in; a try is counted before the password is looked at.

    Raises ValidationError for a wrong one, while it waits after five, and after ten in a row until the next sign-in.
    """
    _count_again(user, at)
    if user.check_password(password):
        forget(user, AGAIN)
        return
    with transaction.atomic():
        said = trail.Change(user.site_id, None, REFUSED_AGAIN, "user", user.pk)
        trail.write([said], actor=user, at=at)
    raise ValidationError(WRONG_AGAIN)


@transaction.atomic
def _count_again(user: User, at: datetime) -> None:
    """Count one more try, or refuse it; a refused one is not counted."""
    User.objects.select_for_update().get(pk=user.pk)  # so that tries at once come one by one
    account = account_of(user.username)
    tried = SignInTries.objects.filter(account=account, source=AGAIN).first()
    failures, last_at = (tried.failures, tried.last_at) if tried else (0, at)
    if failures >= MOST_AGAIN:
        raise ValidationError(f"After {failures} wrong tries it is not asked here any more: sign out, and in again.")
    if minutes := minutes_left(failures, (at - last_at).total_seconds()):
        raise ValidationError(
            f"After {failures} wrong tries it is asked again in {minutes} min, or once you signed out and in again."
        )
    count(account, AGAIN, user=user, at=at)
