"""What an administrator does for the people who sign in at the unit: add, change, deactivate, help them back in.

Nobody is ever deleted: their name stays beside what they did. Each step is kept in the trail with its reason, and is
refused where somebody else changed the account after it was opened.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet

from programme.core import outside, second_proof, services, sign_ins, signed_in, trail
from programme.core.models import Role, Site, TrailEntry, User

CHANGED, NEW_PASSWORD = "changed user", "gave a new first password"
INITIAL_FOR = timedelta(hours=72)
"""How long a first password may wait to be used: long enough for somebody off duty over a weekend. Chosen here."""
GROUPS, GROUP_LENGTH = 4, 5
"""Signs of a first password: 20 out of 31, 99 bits; in groups so that they can be read out. Chosen here."""
SAID_LAST = 50
Done = TypeVar("Done")


@dataclass(frozen=True, slots=True)
class Details:
    """What an administrator decides about somebody."""

    full_name: str
    role: str
    is_active: bool


def first_password() -> str:
    """Return a password that is shown once and changed by who signs in with it."""
    alphabet = second_proof.ALPHABET
    return "-".join("".join(secrets.choice(alphabet) for _ in range(GROUP_LENGTH)) for _ in range(GROUPS))


def users_of(site: Site) -> QuerySet[User]:
    """Return who signs in, or once did, those who still do first."""
    return User.objects.filter(site=site).order_by("-is_active", "full_name")


def said_of(user: User) -> QuerySet[TrailEntry]:
    """Return what the trail says of the account itself, newest first: never anything about a person who is treated."""
    entries = TrailEntry.objects.filter(chain=f"site:{user.site_id}", row_kind="user", row_key=user.pk)
    return entries.select_related("actor").order_by("-number")[:SAID_LAST]


def add(*, username: str, full_name: str, role: str, actor: User, at: datetime) -> tuple[User, str]:
    """Add somebody to the unit of `actor`; return them and the first password. Raises ValidationError."""
    password = first_password()
    try:
        added = services.add_user(
            username=username, full_name=full_name, role=role, site=actor.site, password=password, at=at,
            actor=actor, initial_until=at + INITIAL_FOR,
        )  # fmt: skip
    except services.UnableToAdd as error:
        raise ValidationError(str(error)) from error
    return added, password


@transaction.atomic
def change(*, user: User, version: int, to: Details, reason: str, actor: User, at: datetime) -> None:
    """Change name or role, deactivate or take back; another role and the end of an account end its sign-ins.

    Raises ValidationError without a reason or a change, for the own role and the last administrator, and
    EditedMeanwhile where the account was changed after it was opened.
    """
    held = _held(user, version)
    was = Details(held.full_name, held.role, held.is_active)
    loses = (was.role, was.is_active) != (to.role, to.is_active)
    if not reason.strip():
        raise ValidationError({"reason": "Say why: the reason is kept in the trail."})
    if was == to:
        raise ValidationError("Nothing is different.")
    if loses and held.pk == actor.pk:
        raise ValidationError("Your own role and account are changed by another administrator.")
    if loses and was.is_active and was.role == Role.ADMINISTRATOR and not _other_administrators(held):
        raise ValidationError("This is the last administrator of the unit; make somebody else one first.")
    held.full_name, held.role, held.is_active = to.full_name, to.role, to.is_active
    held.full_clean(exclude=["password"])
    held.save_changes(["full_name", "role", "is_active"])
    said = trail.Change(
        held.site_id, None, CHANGED, "user", held.pk, held.version, why=reason.strip(),
        before=_as_said(was), after=_as_said(to),
    )  # fmt: skip
    trail.write([said], actor=actor, at=at)
    if loses:
        signed_in.end_all(user=held, reason=reason, actor=actor, at=at)


@transaction.atomic
def give_first_password(*, user: User, version: int, reason: str, actor: User, at: datetime) -> str:
    """Return a new first password for who has forgotten theirs; what was signed in with the old one ends.

    Raises ValidationError without a reason and for the own account, EditedMeanwhile as `change` does.
    """
    held = _held(user, version)
    if held.pk == actor.pk:
        raise ValidationError("Change your own password under Account.")
    password = first_password()
    held.set_password(password)
    held.initial_password_until = at + INITIAL_FOR
    held.save_changes(["password", "initial_password_until"])
    said = trail.Change(held.site_id, None, NEW_PASSWORD, "user", held.pk, held.version, why=reason.strip())
    trail.write([said], actor=actor, at=at)
    _done_or_said(lambda: signed_in.end_all(user=held, reason=reason, actor=actor, at=at))
    return password


@transaction.atomic
def reset_second_proof(*, user: User, version: int, reason: str, actor: User, at: datetime) -> None:
    """Take the second proof from who lost it, and end their sign-ins. Raises as `give_first_password` does."""
    held = _held(user, version)
    if held.pk == actor.pk:
        raise ValidationError("Your own second proof is reset by another administrator.")
    _done_or_said(lambda: second_proof.reset(user=held, reason=reason, actor=actor, at=at))
    held.save_changes([])
    _done_or_said(lambda: signed_in.end_all(user=held, reason=reason, actor=actor, at=at))


@transaction.atomic
def end_sign_ins(*, user: User, version: int, reason: str, actor: User, at: datetime) -> int:
    """End every sign-in of `user`; return how many. Raises as `give_first_password` does."""
    held = _held(user, version)
    held.save_changes([])
    return _done_or_said(lambda: signed_in.end_all(user=held, reason=reason, actor=actor, at=at))


@transaction.atomic
def open_sign_in(*, user: User, version: int, reason: str, actor: User, at: datetime) -> int:
    """Forget the wrong tries counted against `user`; return how many. Raises as `give_first_password` does."""
    held = _held(user, version)
    held.save_changes([])
    return _done_or_said(lambda: sign_ins.open_again(user=held, reason=reason, actor=actor, at=at))


@transaction.atomic
def set_outside(*, user: User, version: int, issuer: str, subject: str, reason: str, actor: User, at: datetime) -> None:
    """Enter the account with the provider that signs `user` in, '' for none; one that no longer does ends all sign-ins.

    Raises as `give_first_password` does, and ValidationError for an account that cannot be, or signs somebody else in.
    """
    held, was = _held(user, version), outside.account_of(user)
    if held.pk == actor.pk:
        raise ValidationError("Link your own account under Account.")
    if not reason.strip():
        raise ValidationError({"reason": "Say why: the reason is kept in the trail."})
    if (was.issuer, was.subject) == (issuer, subject) if was else not subject:
        raise ValidationError("Nothing is different.")
    why = reason.strip()
    if was:
        outside.take_away(user=held, actor=actor, at=at, why=why)
    if subject:
        outside.link(user=held, issuer=issuer, subject=subject, actor=actor, at=at, why=why)
    held.save_changes([])
    if was:
        _done_or_said(lambda: signed_in.end_all(user=held, reason=why, actor=actor, at=at))


def _held(user: User, version: int) -> User:
    """Return the account as it is now, with the version it was opened at; the unit's administrators come one by one."""
    Site.objects.select_for_update().get(pk=user.site_id)
    held = User.objects.select_for_update().get(pk=user.pk)
    held.version = version
    return held


def _other_administrators(user: User) -> bool:
    others = User.objects.filter(site_id=user.site_id, role=Role.ADMINISTRATOR, is_active=True)
    return others.exclude(pk=user.pk).exists()


def _done_or_said(do: Callable[[], Done]) -> Done:
    try:
        return do()
    except ValueError as error:
        raise ValidationError(str(error)) from error


def _as_said(details: Details) -> dict[str, object]:
    return {"full name": details.full_name, "role": details.role, "active": details.is_active}
