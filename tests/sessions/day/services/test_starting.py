"""A session is started on its own day only."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from sessions.day.models import Entry
from sessions.day.services.starting import start_session
from sessions.models import ExchangeSession
from tests.factories import NOW, TODAY, make_exchange_session, make_patient, make_prescription, make_site, make_user

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def start(on):
    site = make_site()
    nurse, consultant = make_user(role="nurse", site=site), make_user(role="consultant", site=site)
    planned = make_exchange_session(
        make_patient("R1", site=site), on=on, state="authorised", origin="here", hbs_after_pct=None, hb_after_g_l=None
    )
    make_prescription(planned, signed_by=consultant)
    return start_session(
        exchange_session=planned, version=planned.version, key="s", answers={}, observation={"bp_sys": 118},
        observed_at=NOW, found=(), actor=nurse, at=NOW,
    )  # fmt: skip


def test_a_session_starts_on_its_day():
    started = start(TODAY)
    assert (started.state, started.on, started.started_at) == ("running", TODAY, NOW)


@pytest.mark.parametrize("on", [TODAY - DAY, TODAY + 2 * DAY], ids=["of yesterday", "of a day to come"])
def test_a_session_of_another_day_is_not_started_and_nothing_is_kept(on):
    with pytest.raises(ValidationError, match=r"not for today.*Cancel it with the reason, and plan one for today"):
        start(on)
    assert ExchangeSession.objects.get().state == "authorised"
    assert not Entry.objects.exists()
