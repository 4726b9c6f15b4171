"""How a lower stage tells higher ones that people's data changed, without calling them.

Higher apps subscribe in `ready()`; a service announces inside its transaction; subscribers run once on commit, however
many services announced in it. A batch of transactions can be heard of at its end instead, everybody once.
"""

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime

from django.db import transaction

log = logging.getLogger(__name__)

Subscriber = Callable[[tuple[int, ...], datetime], None]
_subscribers: list[Subscriber] = []


def subscribe(subscriber: Subscriber) -> None:
    """Register `subscriber`, called with the patients' keys and the time after each committed change."""
    if subscriber not in _subscribers:
        _subscribers.append(subscriber)


class _Waiting:
    """The people changed in the running transaction."""

    def __init__(self) -> None:
        self.__qualname__ = type(self).__qualname__  # by which Django names what failed after a commit
        self.keys: dict[int, None] = {}
        self.at: datetime | None = None

    def __call__(self) -> None:
        batch = _batch.get()
        if self.at is None:
            return
        if batch is not None and batch is not self:
            _add(batch, tuple(self.keys), self.at)
            return
        for subscriber in _subscribers:
            subscriber(tuple(self.keys), self.at)


_batch: ContextVar[_Waiting | None] = ContextVar("batch", default=None)


@contextmanager
def heard_together() -> Iterator[None]:
    """Let the subscribers hear at the end of all that commits in here, of each person once.

    Until then these people are stale, as their pages say; nobody is told of what was rolled back, and what committed
    before a fault is still told. For people of one site.
    """
    batch = _Waiting()
    token = _batch.set(batch)
    try:
        yield
    finally:
        _batch.reset(token)
        try:
            batch()
        except Exception:  # as after a single commit: what was written stands, and the people stay stale
            log.exception("a subscriber failed at the end of a batch")


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
