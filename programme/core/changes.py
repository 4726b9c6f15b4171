"""How a lower stage tells higher ones that a person's data changed, without calling them.

Higher apps subscribe in `ready()`; a service announces inside its transaction; subscribers run on commit.
"""

from collections.abc import Callable
from functools import partial

from django.db import transaction

Subscriber = Callable[[int], None]
_subscribers: list[Subscriber] = []


def subscribe(subscriber: Subscriber) -> None:
    """Register `subscriber`, called with the patient's key after each committed change of that person."""
    if subscriber not in _subscribers:
        _subscribers.append(subscriber)


def announce(patient_key: int) -> None:
    """Tell every subscriber of a change to this patient once the running transaction commits."""
    for subscriber in _subscribers:
        transaction.on_commit(partial(subscriber, patient_key))
