"""Where somebody is signed in, and ending it there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from django.contrib.auth import HASH_SESSION_KEY
from django.contrib.sessions.models import Session
from django.db import transaction

from programme.core import time_out, trail
from programme.core.models import SignedIn, User

ENDED, ENDED_ALL = "ended own sign-ins elsewhere", "ended all sign-ins of a user"


@dataclass(frozen=True, slots=True)
class Place:
    """One sign-in that has not ended; last_action to the minute."""

    key: int
    is_here: bool
    device: str
    address: str
    since: datetime
    last_action: datetime


@transaction.atomic
def note(*, user: User, session_key: str, address: str, is_handheld: bool, at: datetime) -> None:
    """Note a new sign-in, and forget those of this user that have ended."""
    gone = set(user.sign_ins.values_list("session_key", flat=True)) - set(_sessions_of(user, at))
    user.sign_ins.filter(session_key__in=gone).delete()
    SignedIn.objects.update_or_create(
        session_key=session_key, defaults={"user": user, "since": at, "address": address, "is_handheld": is_handheld}
    )


def follow(*, was: str, now: str) -> None:
    """Note that a session got another key, as it does when a password is changed."""
    SignedIn.objects.filter(session_key=was).update(session_key=now)


def places(user: User, *, here: str, at: datetime) -> tuple[Place, ...]:
    """Return where `user` is signed in, this browser (its session key is `here`) first, then the newest."""
    sessions = _sessions_of(user, at)
    found = []
    for row in user.sign_ins.order_by("-since"):
        kept = sessions.get(row.session_key)
        if kept is None or time_out.is_over(kept, at):
            continue
        seen = kept.get(time_out.TIMES, {}).get("seen", row.since.timestamp())
        device = "telephone or tablet" if row.is_handheld else "computer"
        is_here = row.session_key == here
        last_action = at if is_here else datetime.fromtimestamp(seen, UTC)
        found.append(Place(row.pk, is_here, device, row.address, row.since, last_action))
    return tuple(sorted(found, key=lambda place: not place.is_here))


@transaction.atomic
def end(*, user: User, here: str, only: int | None, at: datetime) -> int:
    """End one of the own sign-ins, or with None all but this browser's; return how many were ended."""
    rows = user.sign_ins.exclude(session_key=here)
    if only is not None:
        rows = rows.filter(pk=only)
    ended, _ = Session.objects.filter(session_key__in=list(rows.values_list("session_key", flat=True))).delete()
    rows.delete()
    if ended:
        said = trail.Change(user.site_id, None, ENDED, "user", user.pk, after={"how many": ended})
        trail.write([said], actor=user, at=at)
    return ended


@transaction.atomic
def clear_ended(*, at: datetime) -> int:
    """Delete every session whose cookie has ended, and what the list of sign-ins says of it; return how many."""
    ended, _ = Session.objects.filter(expire_date__lte=at).delete()
    SignedIn.objects.exclude(session_key__in=Session.objects.values("session_key")).delete()
    return ended


@transaction.atomic
def end_all(*, user: User, reason: str, actor: User, at: datetime) -> int:
    """End every sign-in of `user`, by an administrator; return how many. Raises ValueError without a reason."""
    if not reason.strip():
        raise ValueError("Say why: the reason is kept in the trail.")
    keys = list(user.sign_ins.values_list("session_key", flat=True))
    ended, _ = Session.objects.filter(session_key__in=keys).delete()
    user.sign_ins.all().delete()
    said = trail.Change(user.site_id, None, ENDED_ALL, "user", user.pk, why=reason.strip(), after={"how many": ended})
    trail.write([said], actor=actor, at=at)
    return ended


def _sessions_of(user: User, at: datetime) -> dict[str, dict[str, Any]]:
    """Return what the sessions of the noted sign-ins hold, by key; not those that a new password has ended."""
    sessions = Session.objects.filter(session_key__in=user.sign_ins.values("session_key"), expire_date__gt=at)
    held = {one.session_key: one.get_decoded() for one in sessions}
    account = user.get_session_auth_hash()
    return {key: kept for key, kept in held.items() if kept.get(HASH_SESSION_KEY) == account}
