"""Tasks handed over to workers, and a Redis that has gone."""

from pathlib import Path

import pytest
from celery import Celery

from programme.core.handing_over import hand_over

DONE: list[int] = []


@pytest.fixture
def gone(tmp_path: Path) -> Celery:
    """An app whose Redis is not there."""
    app = Celery("gone", broker=f"redis+socket://{tmp_path}/gone.sock", set_as_current=False)
    app.conf.task_publish_retry = False
    return app


def anything(number):
    DONE.append(number)


def test_a_redis_that_is_gone_is_said_and_logged(gone, caplog):
    assert hand_over(gone.task(name="anything")(anything), 3) is False
    assert "anything could not be handed over" in caplog.text
    assert DONE == []


def test_without_workers_it_is_done_at_once():
    app = Celery("here", set_as_current=False)
    app.conf.task_always_eager = True
    assert hand_over(app.task(name="anything")(anything), 3) is True
    assert DONE.pop() == 3
