"""Which account with the provider signs somebody in: linked by themselves, or entered by an administrator."""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from programme.core import trail
from programme.core.models import OutsideAccount, User
from programme.core.openid import LONGEST_SUBJECT, is_subject

LINKED, TAKEN_AWAY = "linked account of the provider", "took away account of the provider"


def account_of(user: User) -> OutsideAccount | None:
    """Return the account with a provider by which somebody signs in."""
    return OutsideAccount.objects.filter(user=user).first()


@transaction.atomic
def link(*, user: User, issuer: str, subject: str, actor: User, at: datetime, why: str = "") -> None:
    """Let an account with the provider sign `user` in.

    Raises ValidationError where one does already, where it signs somebody else in, or is written as none can be.
    """
    User.objects.select_for_update().get(pk=user.pk)
    if account_of(user) is not None:
        raise ValidationError("Another account is linked already; take it away first.")
    if not is_subject(subject):
        raise ValidationError(f"An account has 1 to {LONGEST_SUBJECT} letters, digits and signs of ASCII.")
    row = OutsideAccount(user=user, issuer=issuer, subject=subject, since=at)
    row.full_clean()
    row.save()
    _say(LINKED, row, actor=actor, at=at, why=why, after={"issuer": issuer, "account": subject})


@transaction.atomic
def take_away(*, user: User, actor: User, at: datetime, why: str = "") -> None:
    """Let the account with the provider sign `user` in no more. Raises ValidationError where there is none."""
    row = OutsideAccount.objects.select_for_update().filter(user=user).first()
    if row is None:
        raise ValidationError("No account is linked.")
    _say(TAKEN_AWAY, row, actor=actor, at=at, why=why, before={"issuer": row.issuer, "account": row.subject})
    row.delete()


def _say(
    action: str, row: OutsideAccount, *, actor: User, at: datetime, why: str,
    before: dict[str, object] | None = None, after: dict[str, object] | None = None,
) -> None:  # fmt: skip
    said = trail.Change(row.user.site_id, None, action, "user", row.user_id, why=why, before=before, after=after)
    trail.write([said], actor=actor, at=at)
