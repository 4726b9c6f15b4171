"""An Hb over the ceiling that arrives once its session is closed: the person has gone, and nobody opens the page."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from patients.models import Analyte, LabResult
from patients.services import correct_result
from programme.intake.models import InboxItem
from sessions.day.models import Prescription
from sessions.day.services.afterwards import add_volume, open_recheck, record_after_results
from sessions.day.services.finishing import abandon, close
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


# Typed by hand once it is closed


def type_after(nurse, session, hb, at=NOW):
    """As on the page of the session, under 'Results that came later'."""
    record_after_results(exchange_session=session, values={Analyte.HB: hb}, taken_at=TAKEN, actor=nurse, at=at)
    return LabResult.objects.get(analyte=Analyte.HB, value=hb)


def test_one_typed_on_the_page_of_the_session_waits_for_a_prescriber_like_one_that_arrives(site, closed, nurse_client):
    typed = {"receipt": "typed", "taken": "08:46", "hb_g_l": "118"}
    answer = nurse_client.post(f"/people/R001/day/{closed.pk}/sample/", typed)
    assert answer.status_code == 302
    item = InboxItem.objects.get()
    assert (item.reason, item.get_severity_display(), item.patient) == ("hb_after_high", "Stop", closed.patient)
    listed = nurse_client.get("/inbox/").content.decode()
    assert "Hb <b>118</b>" in listed and "By hand:" in listed and "A prescriber was told" in listed
    opened = nurse_client.get(f"/inbox/{item.pk}/").content.decode()
    assert f"/people/R001/day/{closed.pk}/after/" in opened and "As entered" in opened
    assert "The message as it came" not in opened and "Nothing could be read" not in opened
    assert decide(nurse_client, "noted").status_code == 302
    assert waiting(site) == []


def test_one_typed_among_the_records_and_paired_by_its_time_is_told_once(site, closed, nurse_client):
    typed = {"receipt": "typed", "taken_on": "1 Jun 2026", "taken_at": "08:46", "hb": "118", "hbs": "25.5"}
    assert nurse_client.post("/people/R001/results/", typed).status_code == 302
    assert waiting(site) == ["hb_after_high"]


def test_a_check_opened_on_its_page_takes_it_out_whether_it_was_typed_or_arrived(site, closed, nurse, nurse_client):
    type_after(nurse, closed, 118.0)
    assert waiting(site) == ["hb_after_high"]
    later = NOW + timedelta(minutes=5)
    closed = ExchangeSession.objects.get(pk=closed.pk)
    open_recheck(exchange_session=closed, due_on=TODAY + timedelta(days=1), words="Hb again", actor=nurse, at=later)
    assert waiting(site) == []
    item = InboxItem.objects.get()
    assert (item.choice, item.why, item.settled_at) == ("overtaken", "a check of Hb was opened", later)
    assert "a check of Hb was opened" in nurse_client.get("/inbox/filed/").content.decode()


def test_one_that_arrived_is_taken_out_by_a_check_too(site, closed, nurse):
    arrive(site, row(**HB))
    closed = ExchangeSession.objects.get(pk=closed.pk)
    open_recheck(exchange_session=closed, due_on=TODAY + timedelta(days=1), words="Hb again", actor=nurse, at=NOW)
    assert waiting(site) == []


def test_blood_drawn_for_it_takes_it_out_once_it_is_enough(site, finished, nurse):
    """Well mixed, Hb falls by exp(-drawn/volume), so V ln(118/110) lead to the ceiling; 100 mL do not."""
    given_up = abandon(
        exchange_session=finished, version=finished.version, actor=nurse, at=NOW, key="give-up", reason="had to leave"
    )
    volume_ml = Prescription.objects.get(exchange_session=given_up).blood_volume_ml
    type_after(nurse, given_up, 118.0)
    drawn = {"exchange_session": given_up, "why": "Hb too high", "actor": nurse, "happened_at": NOW}
    add_volume(**drawn, in_ml=100, out_ml=100, key="some", at=NOW + timedelta(minutes=1))
    assert waiting(site) == ["hb_after_high"]
    enough = math.ceil(volume_ml * math.log(118 / 110)) - 100
    add_volume(**drawn, in_ml=enough, out_ml=enough, key="rest", at=NOW + timedelta(minutes=2))
    assert waiting(site) == []
    assert InboxItem.objects.get().why == "enough blood was drawn"


@pytest.mark.parametrize(("value", "told"), [(104.0, 118.0), (121.0, 121.0)])
def test_one_put_right_by_hand_is_told_anew_only_where_it_is_still_too_high(site, closed, nurse, value, told):
    """One that is no longer too high waits as it is until somebody notes that it was put right."""
    first = type_after(nurse, closed, 118.0)
    correct_result(result=first, value=value, why="read again", actor=nurse, at=NOW + timedelta(minutes=1))
    assert [item.result.value for item in InboxItem.objects.waiting()] == [told]


def test_one_put_right_by_hand_from_a_fair_value_to_one_too_high_is_told(site, closed, nurse):
    arrive(site, row(**HB | {"value": "104"}))
    assert waiting(site) == []
    correct_result(
        result=LabResult.objects.get(value=104.0),
        value=118.0,
        why="misread",
        actor=nurse,
        at=NOW + timedelta(minutes=1),
    )
    assert waiting(site) == ["hb_after_high"]


@pytest.mark.parametrize(("hb", "days"), [(110.0, 0), (118.0, 8)])
def test_one_typed_at_the_ceiling_or_long_after_tells_nobody(site, closed, nurse, hb, days):
    type_after(nurse, closed, hb, at=NOW + timedelta(days=days))
    assert waiting(site) == []


def test_one_typed_while_the_session_is_open_tells_nobody_and_closing_asks(site, finished, nurse):
    type_after(nurse, finished, 118.0)
    finished = ExchangeSession.objects.get(pk=finished.pk)
    ending = {
        "exchange_session": finished, "version": finished.version, "actor": nurse, "key": "close",
        "at": NOW + timedelta(minutes=1),
    }  # fmt: skip
    with pytest.raises(ValidationError, match="Hb after: 118 g/L is over the ceiling of 110"):
        close(**ending)
    close(**ending, reason="the prescriber knows")
    assert waiting(site) == []
