"""Signing in with name, password and second proof: tries are counted, wrong ones wait longer and longer.

The trail says both who signed in and what was refused. A try is counted before the password is looked at, so that many
at once are not one. A name that nobody has is counted, answered and written down like any other.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.contrib.auth import authenticate
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, QuerySet
from django.utils.crypto import salted_hmac

from programme.core import second_proof, trail, tries
from programme.core.models import KnownBrowser, Role, SignInTries, Site, User, same_characters
from programme.core.numeric import throttle
from programme.core.tries import AGAIN, AT_A_SCREEN, account_of

REFUSED, SIGNED_IN, OPENED = "refused a sign-in", "signed in", "opened sign-in again"
KNOWN, LONG_AGO = "known", "long ago"
NO_ADDRESS = (KNOWN, LONG_AGO, AGAIN, AT_A_SCREEN)
LEAST_ALONE, LEAST_BESIDE = 15, 8
"""Characters of a password alone and beside a second proof: NIST SP 800-63B-4 (2025), 3.1.1.2."""
LONGEST = 256
"""At least 64 must be allowed (as above); the rest is chosen here, so that hashing cannot be made to take long."""
KNOWN_FOR = timedelta(days=180)
"""A browser on which somebody has not signed in for so long is as good as new. Chosen here; not from a source."""
NOBODYS_KEPT_FOR = timedelta(days=1)
SOURCES_KEPT_FOR = timedelta(days=180)
"""After so long it is forgotten from where wrong tries came; that they were made is not, since no count of failures in
a row may begin anew by waiting (NIST SP 800-63B-4 (2025), 3.2.2). Chosen here, as long as a browser is known."""
WRONG = (
    "Name and password do not fit together. What you typed as name is kept; the password is not. After five tries "
    "sign-in waits a minute, then longer; nobody is shut out for good."
)
WRONG_CODE = (
    "This does not fit, or was used already. Wait for the next six digits on your telephone, or take one of your "
    "recovery codes; each works once."
)
ADMINISTRATORS_ONLY = (
    "With a password only administrators sign in here, and name and password must fit together. Everybody else signs "
    "in with the account above."
)
NOBODYS = (
    "This account signs nobody in here. Link it under your account after signing in with a password, or ask an "
    "administrator of your unit to enter it."
)
RUN_OUT = "This first password was not used in time and is worth nothing now. Ask your administrator for a new one."
CLOSED = (
    "Sign-in with this name is closed here after too many wrong tries. Sign in on a browser where you have signed in "
    "before, or ask an administrator of your unit to open it."
)


class LongEnough:
    """Passwords have 15 characters where they are the only proof, 8 beside a second one; long ones are welcome."""

    def validate(self, password: str, user: object = None) -> None:
        least = LEAST_BESIDE if isinstance(user, User) and user.has_second_proof else LEAST_ALONE
        length = len(same_characters(password) or "")
        if length < least:
            raise ValidationError(f"It has {length} characters; at least {least} characters are needed.")
        if length > LONGEST:
            raise ValidationError(f"It has {length} characters; at most {LONGEST} are allowed.")

    def get_help_text(self) -> str:
        return f"At least {LEAST_ALONE} characters, or {LEAST_BESIDE} beside a second proof."


def is_long_enough_alone(password: str) -> bool:
    """Say whether a password may stand without a second proof."""
    return len(same_characters(password) or "") >= LEAST_ALONE


@dataclass(frozen=True, slots=True)
class Place:
    """Where somebody signs in: the network address, and the secret that the browser holds ('' for a new one)."""

    address: str
    browser: str


def prove_password(*, name: str, password: str, place: Place, at: datetime, returning: str = "") -> User:
    """Return the user whose name and password these are; the sign-in is then done, unless a second proof is to come.

    returning: what `get_session_auth_hash` was of who only did nothing for a while here; the password is then enough.

    Raises ValidationError, the same for a name nobody has as for a wrong password, and while sign-in waits.
    """
    known = _is_known(name, place, at)
    _count(name, place, known=known, at=at)
    user = authenticate(username=name, password=password)
    allowed = settings.PASSWORDS_FOR_ALL or getattr(user, "role", "") == Role.ADMINISTRATOR
    if not isinstance(user, User) or not allowed or user.first_password_ran_out(at):
        _record_failure(name, place, known=known, at=at)
        wrong = WRONG if settings.PASSWORDS_FOR_ALL else ADMINISTRATORS_ONLY  # it never tells whether the password fits
        raise ValidationError(RUN_OUT if user and allowed else wrong)
    if (
        user.has_second_proof and user.get_session_auth_hash() != returning
    ):  # nothing is forgiven yet, but this try did not fail
        here = SignInTries.objects.filter(account=account_of(name), source=_source(place, known=known), failures__gt=0)
        here.update(failures=F("failures") - 1)
    else:
        _finish(user, place, known=known, at=at)
    return user


def prove_outside(
    *, issuer: str, subject: str, has_second: bool, place: Place, at: datetime, returning: str = ""
) -> tuple[User, bool]:
    """Return whose account with a provider this is, and whether the sign-in is done; else a second proof is to come.

    has_second: whether the provider took one that is trusted here. returning: as in `prove_password`.

    Raises ValidationError where it is the account of nobody who is active here.
    """
    mine = User.objects.filter(outside_account__issuer=issuer, outside_account__subject=subject, is_active=True)
    user = mine.first()
    if user is None:
        _record_failure("", place, known=False, at=at, outside=True)
        raise ValidationError(NOBODYS)
    is_done = not user.has_second_proof or has_second or user.get_session_auth_hash() == returning
    if is_done:
        _finish(user, place, known=_is_known(user.username, place, at), at=at, outside=True)
    return user, is_done


def prove_second(*, user: User, code: str, place: Place, at: datetime, outside: bool = False) -> None:
    """Finish the sign-in of `user` by six digits or a recovery code; outside: it began with an account of a provider.

    Raises ValidationError for wrong or used ones, and while sign-in waits: they are counted like wrong passwords.
    """
    known = _is_known(user.username, place, at)
    _count(user.username, place, known=known, at=at)
    if not second_proof.fits(user=user, code=code, at=at):
        _record_failure(user.username, place, known=known, at=at)
        raise ValidationError(WRONG_CODE)
    _finish(user, place, known=known, at=at, outside=outside)


@transaction.atomic
def _finish(user: User, place: Place, *, known: bool, at: datetime, outside: bool = False) -> None:
    SignInTries.objects.filter(account=account_of(user.username)).delete()
    said = trail.Change(user.site_id, None, SIGNED_IN, "user", user.pk, after=_from(place, known, outside))
    trail.write([said], actor=user, at=at)


@transaction.atomic
def remember(*, user: User, place: Place, at: datetime) -> str:
    """Note that `user` signed in on this browser; return the new secret that it is to hold from now on.

    The secret is another one each time, so that one put there by somebody else is worth nothing afterwards. Others who
    are known there stay known.
    """
    secret = secrets.token_urlsafe(32)
    here = (
        KnownBrowser.objects.filter(secret_hash=_hash(place.browser)) if place.browser else KnownBrowser.objects.none()
    )
    here.filter(last_at__gt=at - KNOWN_FOR).update(secret_hash=_hash(secret))
    KnownBrowser.objects.filter(last_at__lte=at - KNOWN_FOR).delete()
    KnownBrowser.objects.update_or_create(user=user, secret_hash=_hash(secret), defaults={"last_at": at})
    return secret


@transaction.atomic
def open_again(*, user: User, reason: str, at: datetime, actor: User | None = None) -> int:
    """Forget the failures counted against `user`; return how many they were. actor: None from the command line.

    Raises ValueError without a reason.
    """
    if not reason.strip():
        raise ValueError("Say why: the reason is kept in the trail.")
    failed = SignInTries.objects.filter(account=account_of(user.username))
    failures = sum(failed.values_list("failures", flat=True))
    failed.delete()
    said = trail.Change(
        user.site_id, None, OPENED, "user", user.pk, why=reason.strip(), before={"failures in a row": failures}
    )
    trail.write([said], actor=actor, at=at)
    return failures


@transaction.atomic
def forget_old(*, at: datetime) -> int:
    """Forget browsers that are as good as new, tries of nobody, and where old tries came from; return rows deleted."""
    browsers, _ = KnownBrowser.objects.filter(last_at__lte=at - KNOWN_FOR).delete()
    nobodys, _ = SignInTries.objects.filter(user=None, last_at__lt=at - NOBODYS_KEPT_FOR).delete()
    sourced = SignInTries.objects.exclude(source__in=NO_ADDRESS).filter(user__isnull=False)
    old = sourced.filter(last_at__lte=at - SOURCES_KEPT_FOR)
    # The users first, so that a try of theirs at the same moment is counted before or after and never lost.
    users = User.objects.select_for_update().filter(pk__in=list(old.values_list("user_id", flat=True).distinct()))
    return browsers + nobodys + sum(_without_sources(user, old) for user in users.order_by("pk"))


def _without_sources(user: User, old: QuerySet[SignInTries]) -> int:
    """Put together what is counted against `user` in old rows, with no word of where from; return rows deleted."""
    rows = list(old.filter(user=user))
    old.filter(pk__in=[row.pk for row in rows]).delete()
    for row in rows:
        kept, _ = SignInTries.objects.get_or_create(
            account=row.account, source=LONG_AGO, defaults={"user": user, "last_at": row.last_at}
        )
        kept.failures, kept.last_at = kept.failures + row.failures, max(kept.last_at, row.last_at)
        kept.save(update_fields=["failures", "last_at"])
    return len(rows)


@transaction.atomic
def _count(name: str, place: Place, *, known: bool, at: datetime) -> None:
    """Count one more try, or refuse it; a refused try is not counted, so nobody can lengthen the wait of another."""
    user = User.objects.select_for_update().filter(username=name).first()  # so that tries at once come one by one
    account, source = account_of(name), _source(place, known=known)
    failures: dict[str, tuple[int, datetime]] = {
        row.source: (row.failures, row.last_at)
        for row in SignInTries.objects.filter(account=account).exclude(source__in=(AGAIN, AT_A_SCREEN))
    }
    here, last_at = failures.get(source, (0, at))
    counted = sum(count for one, (count, _) in failures.items() if (one == KNOWN) == known)
    if throttle.is_closed(counted, known=known):
        raise ValidationError(CLOSED)
    if minutes := throttle.minutes_left(here, (at - last_at).total_seconds()):
        raise ValidationError(_waits(here, minutes, known))
    SignInTries.objects.filter(user=None, last_at__lt=at - NOBODYS_KEPT_FOR).delete()
    tries.count(account, source, user=user, at=at)


def _waits(failures: int, minutes: int, known: bool) -> str:
    waits = f"After {failures} wrong tries sign-in with this name waits here for {minutes} min, then opens by itself"
    return waits + ("." if known else "; on a browser where you have signed in before it may be open now.")


@transaction.atomic
def _record_failure(name: str, place: Place, *, known: bool, at: datetime, outside: bool = False) -> None:
    """Write a failure to the trail of the user's site; of a name nobody has, to that of the first site, unnamed."""
    user = User.objects.filter(username=name).first()
    site = Site.objects.order_by("pk").values_list("pk", flat=True).first()
    if user is None and site is None:
        return
    said = trail.Change(
        user.site_id if user else site or 0, None, REFUSED, "user", user.pk if user else None,
        after=_from(place, known, outside),
    )  # fmt: skip
    trail.write([said], actor=None, at=at)


def _is_known(name: str, place: Place, at: datetime) -> bool:
    here = KnownBrowser.objects.filter(user__username=name, secret_hash=_hash(place.browser))
    return here.filter(last_at__gt=at - KNOWN_FOR).exists()


def _from(place: Place, known: bool, outside: bool) -> dict[str, str]:
    said = {"from": place.address, "browser": "known" if known else "new"}
    return said | {"by": "account of the provider"} if outside else said


def _source(place: Place, *, known: bool) -> str:
    return KNOWN if known else salted_hmac("sign-in address", place.address, algorithm="sha256").hexdigest()


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
