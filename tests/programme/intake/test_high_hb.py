"""An Hb over the ceiling that arrives once its session is closed: the person has gone, and nobody opens the page."""

from __future__ import annotations

from datetime import timedelta

import pytest

from patients.services import correct_result
from programme.intake.models import InboxItem
from sessions.day.services.afterwards import open_recheck
from sessions.day.services.finishing import close
from sessions.models import ExchangeSession
from tests import factories
from tests.day import ENDED, finished_day
from tests.factories import NOW, TODAY
from tests.programme.intake.test_reading import arrive, row, waiting

pytestmark = pytest.mark.usefixtures("frozen_day")
TAKEN = ENDED + timedelta(minutes=35)
HB = {"code": "718-7", "value": "118", "unit": "g/L", "result_id": "HB1", "taken": TAKEN.isoformat()}


@pytest.fixture
def finished(site, nurse, consultant):
    """Hb 94 before; the ceiling is 110 and a day may raise it by 40, as the factories have it."""
    return finished_day(factories.make_patient("R001", site=site), nurse=nurse, consultant=consultant)


@pytest.fixture
def closed(finished, nurse):
    return close(
        exchange_session=finished, version=finished.version, actor=nurse, at=NOW, key="close", reason="results to come"
    )


def decide(client, choice):
    item = InboxItem.objects.waiting().get()
    values = {"receipt": f"key-{choice}", "version": item.version, "choice": choice, "why": ""}
    return client.post(f"/inbox/{item.pk}/settle/", values)


def test_an_hb_over_the_ceiling_that_comes_after_closing_waits_until_a_prescriber_was_told(site, closed, nurse_client):
    arrive(site, row(**HB))
    item = InboxItem.objects.get()
    assert (item.reason, item.get_severity_display(), item.patient) == ("hb_after_high", "Stop", closed.patient)
    assert (
        "The session of 1 Jun 2026 is closed, and its Hb after of 118 g/L is over the ceiling of 110" in item.sentence
    )
    opened = nurse_client.get(f"/inbox/{item.pk}/").content.decode()
    assert f"/people/R001/day/{closed.pk}/after/" in opened and "A prescriber was told" in opened
    assert decide(nurse_client, "noted").status_code == 302
    assert waiting(site) == []


@pytest.mark.parametrize(("value", "waits"), [("104", []), ("121", ["hb_after_high"])])
def test_a_correction_takes_the_old_figure_off_the_screen(site, closed, value, waits):
    arrive(site, row(**HB))
    arrive(site, row(**HB | {"value": value, "status": "corrected"}))
    assert waiting(site) == waits
    assert ["118 g/L" in item.sentence for item in InboxItem.objects.waiting()] == [False] * len(waits)


def test_a_withdrawn_one_is_no_longer_said_to_be_too_high(site, closed):
    arrive(site, row(**HB))
    arrive(site, row(**HB | {"value": "", "status": "withdrawn"}))
    assert waiting(site) == ["withdrawn"]


def test_one_that_a_person_corrected_since_says_so(site, closed, nurse, nurse_client):
    arrive(site, row(**HB))
    told, item = "This result was corrected or withdrawn since", InboxItem.objects.get()
    pages = ("/inbox/", f"/inbox/{item.pk}/")
    assert [told in nurse_client.get(page).content.decode() for page in pages] == [False, False]
    correct_result(result=item.result, value=104.0, why="read again on the print", actor=nurse, at=NOW)
    assert [told in nurse_client.get(page).content.decode() for page in pages] == [True, True]


def test_one_at_the_ceiling_one_in_hand_and_one_of_an_open_session_tell_nobody(site, finished, nurse):
    arrive(site, row(**HB))
    assert waiting(site) == []  # the list asks for the results of a session that is not closed, and its page stops
    finished = ExchangeSession.objects.get(pk=finished.pk)
    open_recheck(exchange_session=finished, due_on=TODAY + timedelta(days=1), words="Hb again", actor=nurse, at=NOW)
    close(exchange_session=finished, version=finished.version, actor=nurse, at=NOW, key="close", reason="HbS to come")
    arrive(site, row(**HB | {"value": "119", "status": "corrected"}))
    assert waiting(site) == []  # a check of Hb is open


@pytest.mark.parametrize(("value", "days"), [("110", 0), ("118", 8)])
def test_at_the_ceiling_or_long_ago_nothing_is_to_be_done(site, closed, value, days):
    arrive(site, row(**HB | {"value": value}), at=NOW + timedelta(days=days))
    assert waiting(site) == []


def test_one_that_a_person_puts_after_the_session_is_told_as_well(site, closed, nurse_client):
    during = HB | {"taken": (ENDED - timedelta(minutes=20)).isoformat()}
    arrive(site, row(**during))
    assert waiting(site) == ["before_or_after"]
    assert decide(nurse_client, "after").status_code == 302
    assert waiting(site) == ["hb_after_high"]
