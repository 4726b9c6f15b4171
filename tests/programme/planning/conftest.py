"""A small made-up programme, brought in as a unit would, with the planner run on it."""

from __future__ import annotations

from datetime import timedelta

import pytest

from programme.core.models import Site
from sessions.history.bring_in import bring_in
from sessions.numeric.mechanisms.made_up import simulate
from tests import builders, factories

PEOPLE = 16


@pytest.fixture(scope="session")
def records() -> bytes:
    """More than a year of a made-up programme up to the Friday before factories.TODAY."""
    made = simulate("daybyday", n_people=PEOPLE, years=1.2, seed=20260601)
    return builders.history_file(made, last_on=factories.TODAY - timedelta(days=3))


@pytest.fixture
def programme(records: bytes, frozen_day: object, site: Site) -> Site:
    """The unit with its people's records; nothing has been planned yet."""
    bring_in(site=site, data=records, actor=None, at=factories.NOW)
    return site
