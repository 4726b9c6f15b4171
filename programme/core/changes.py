"""How a lower stage tells higher ones that people's data changed, without calling them.

Higher apps subscribe in `ready()`; a service announces inside its transaction; subscribers run on commit.
"""

from collections.abc import Callable
from datetime import datetime
from functools import partial

from django.db import transaction

Subscriber = Callable[[tuple[int, ...], datetime], None]
_subscribers: list[Subscriber] = []


def subscribe(subscriber: Subscriber) -> None:
    """Register `subscriber`, called with the patients' keys and the time after each committed change."""
    if subscriber not in _subscribers:
        _subscribers.append(subscriber)


def announce(*patient_keys: int, at: datetime) -> None:
    """Tell every subscriber once the running transaction commits; a file of many people announces once."""
    for subscriber in _subscribers:
        transaction.on_commit(partial(subscriber, patient_keys, at))
