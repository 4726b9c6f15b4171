"""How a lower stage tells higher ones that people's data changed, without calling them.

Higher apps subscribe in `ready()`; a service announces inside its transaction; subscribers run once on commit, however
many services announced in it.
"""

from collections.abc import Callable
from datetime import datetime

from django.db import transaction

Subscriber = Callable[[tuple[int, ...], datetime], None]
_subscribers: list[Subscriber] = []


def subscribe(subscriber: Subscriber) -> None:
    """Register `subscriber`, called with the patients' keys and the time after each committed change."""
    if subscriber not in _subscribers:
        _subscribers.append(subscriber)


class _Waiting:
    """The people changed in the running transaction."""

    def __init__(self) -> None:
        self.keys: dict[int, None] = {}
        self.at: datetime | None = None

    def __call__(self) -> None:
        if self.at is not None:
            for subscriber in _subscribers:
                subscriber(tuple(self.keys), self.at)


def announce(*patient_keys: int, at: datetime) -> None:
    """Tell every subscriber once the running transaction commits; nobody is told of what was rolled back."""
    hooks = [hook for _, hook, *_ in transaction.get_connection().run_on_commit]
    waiting = next((hook for hook in hooks if isinstance(hook, _Waiting)), None)
    if waiting is None:
        waiting = _Waiting()
        _add(waiting, patient_keys, at)
        # What was written stands even if a subscriber fails: the failure is logged and the people stay stale.
        transaction.on_commit(waiting, robust=True)
    else:
        _add(waiting, patient_keys, at)


def _add(waiting: _Waiting, patient_keys: tuple[int, ...], at: datetime) -> None:
    waiting.keys |= dict.fromkeys(patient_keys)
    waiting.at = at
