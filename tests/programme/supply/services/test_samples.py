"""A crossmatch sample taken after the start of its exchange is refused with what is allowed; figures by hand."""

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from patients.models import CrossmatchSample
from programme.core.models import TrailEntry
from programme.supply.services.samples import record_sample
from tests.blood import FOR, make_booked, make_open_unit, moment
from tests.conftest import client_of
from tests.factories import make_planned_session

pytestmark = pytest.mark.django_db
WORDS = (
    "10:40 is after the start of the exchange of Fri 12 Jun at {}. Allowed for it is Tue 9 Jun {} to Fri 12 Jun {} "
    "(it is not known when red cells were last given; the laboratory needs 2 h). "
    "For a later unit or exchange, say below what it is for."
)


@pytest.fixture
def person(site, coordinator):
    patient = make_booked(make_open_unit(site), by=coordinator).patient
    patient.crossmatch_samples.all().delete()
    return patient


def refused(patient, taken_at, actor):
    with pytest.raises(ValidationError) as error:
        record_sample(patient=patient, taken_at=taken_at, actor=actor, at=moment(12, 12))
    assert not CrossmatchSample.objects.exists()
    assert not TrailEntry.objects.filter(action="record sample").exists()
    return error.value.message_dict["taken_at"]


def test_one_after_the_booked_start_is_refused_with_the_window_that_is_allowed(person, nurse):
    """Booked for 09:00 in London: 72 h before is Tuesday 09:00, and the laboratory needs it by 07:00."""
    assert refused(person, moment(12, 9, 40), nurse) == [WORDS.format("09:00", "09:00", "07:00")]


def test_where_the_exchange_began_later_its_real_start_counts(person, nurse):
    begun = make_planned_session(person, on=FOR, state="running", started_at=moment(12, 9, 30))
    assert refused(person, moment(12, 9, 40), nurse) == [WORDS.format("10:30", "10:30", "08:30")]
    begun.delete()
    make_planned_session(person, on=FOR, state="running", started_at=moment(12, 9, 50))
    record_sample(patient=person, taken_at=moment(12, 9, 40), actor=nurse, at=moment(12, 12))
    assert CrossmatchSample.objects.get().note == ""


def test_at_the_start_itself_and_on_another_day_nothing_is_asked(person, nurse):
    for taken_at in (moment(12, 8), moment(11, 15)):
        record_sample(patient=person, taken_at=taken_at, actor=nurse, at=moment(12, 12))
    assert CrossmatchSample.objects.count() == 2


def test_one_for_a_later_unit_says_so_and_keeps_it(person, nurse):
    given = {"patient": person, "taken_at": moment(12, 9, 40), "actor": nurse, "at": moment(12, 12)}
    with pytest.raises(ValidationError, match="allowed are 200"):
        record_sample(**given, note="n" * 190, why_after="the fifth unit")
    sample = record_sample(**given, note="drawn twice", why_after="the fifth unit")
    assert sample.note == "drawn twice; after the start, for: the fifth unit"


def test_the_page_refuses_it_and_keeps_what_was_typed(person, nurse):
    with time_machine.travel(moment(12, 12), tick=True):
        client = client_of(nurse)
        there = reverse("bedside:crossmatch_sample", args=[person.patient_ref])
        asked = client.get(there)
        sent = {"taken_on": "2026-06-12", "taken_at": "10:40", "note": "right arm"}
        sent["receipt"] = asked.context["page"].forms[0]["receipt"].value()
        said = client.post(there, sent).text
        assert "10:40 is after the start of the exchange of Fri 12 Jun at 09:00" in said
        assert 'value="right arm"' in said
        assert client.post(there, sent | {"why_after": "the next exchange"}).status_code == 302
    assert CrossmatchSample.objects.get().note == "right arm; after the start, for: the next exchange"
