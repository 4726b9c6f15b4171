"""Receipts: a double Enter or a resent request makes one row, not two."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import datetime

from django.db import IntegrityError, transaction

from programme.core.models import Receipt, User

LONGEST_KEY = 64


class BadReceipt(ValueError):
    """The key of a form is missing or not one that was given out."""


def new_key() -> str:
    """Return a fresh one-time key for a writing form."""
    return secrets.token_urlsafe(24)


def once(*, key: str, actor: User, at: datetime, action: str, do: Callable[[], str]) -> str:
    """Run `do` once for `key` and return its outcome (an address); a second call returns the first outcome.

    The receipt and what `do` writes are one transaction: either both are kept, or neither.
    Raises BadReceipt when the key is empty, too long, or was used by another person or for another action.
    """
    if not key or len(key) > LONGEST_KEY:
        raise BadReceipt("The form has lost its one-time key. Open the page again; nothing was saved.")
    try:
        with transaction.atomic():
            receipt = Receipt.objects.create(key=key, actor=actor, at=at, action=action)
            receipt.outcome = do()
            receipt.save(update_fields=["outcome"])
            return receipt.outcome
    except IntegrityError:
        earlier = Receipt.objects.filter(key=key).first()
        if earlier is None:
            raise
    if earlier.actor_id != actor.pk or earlier.action != action:
        raise BadReceipt("This form's one-time key was already used for something else. Open the page again.")
    return earlier.outcome
