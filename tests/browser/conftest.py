"""What several tests in a browser begin from."""

from datetime import date, time, timedelta

import pytest

from programme.booking.models import Chair, OtherUse
from programme.core.models import User
from tests.factories import (
    TODAY,
    make_booking,
    make_chair,
    make_exchange_session,
    make_facts,
    make_fit_in_force,
    make_open_week,
    make_patient,
    make_site,
    make_standing,
    make_user,
)


@pytest.fixture
def coordinator(transactional_db: None) -> User:
    return make_user(role="coordinator", site=make_site(name="Saltmarsh Day Unit"))


@pytest.fixture
def unit(coordinator: User) -> list[Chair]:
    """The coordinator's three chairs: three people of last Friday, one booked for tomorrow, one without a place."""
    site = coordinator.site
    make_open_week(site)
    fit = make_fit_in_force(site)
    chairs = [make_chair(site, starts=time(9 + n), ends=time(15 + n)) for n in range(3)]
    OtherUse.objects.create(chair=chairs[2], weekday=2, since=date(2026, 1, 1), words="top-ups")
    for n, name in enumerate(("Fontayne", "Sallow", "Quist", "Mbaru", "Larkspur")):
        patient = make_patient(f"R{n}", site=site, family_name=name)
        make_facts(make_exchange_session(patient))
        make_standing(patient, fit)
        if n < 3:
            make_booking(patient, chairs[n], on=TODAY - timedelta(days=3))
        if name == "Mbaru":
            make_booking(patient, chairs[0], on=TODAY + timedelta(days=1))
    return chairs
