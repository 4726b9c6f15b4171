"""Several who do something at the same moment, each in a thread with a connection of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db import connection

from programme.core.models import EditedMeanwhile

PATIENCE = 60


def at_once(act: Callable[..., Any], asked: Sequence[Sequence[Any]]) -> tuple[list[Any], list[list[str]]]:
    """Do `act(*one)` for every one of `asked` together; return what each did, and what the refused were told.

    Anything else that is raised fails the test, and every connection is closed, so that the database can be dropped.
    """
    gate = threading.Barrier(len(asked), timeout=PATIENCE)
    done, told, errors = [], [], []

    def do(*one: Any) -> None:
        try:
            gate.wait()
            done.append(act(*one))
        except (ValidationError, EditedMeanwhile) as refusal:
            told.append(refusal.messages if isinstance(refusal, ValidationError) else [str(refusal)])
        except Exception as error:
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=do, args=one) for one in asked]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE)
    assert not any(thread.is_alive() for thread in threads), f"not done within {PATIENCE} s"
    assert not errors, errors
    return done, told
