"""Results after a session that is over which have not come: who is asked after them, from when, and until when."""

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from patients.models import Analyte, Genotype, LabResult, ResultStatus
from programme.core.numeric.setting_table import DEFAULTS
from programme.worklist.queries.course import read_course
from programme.worklist.queries.everyone import everyone
from programme.worklist.queries.missing import Missing, missing_after
from sessions.day.models import Entry
from sessions.day.services.afterwards import record_after_results
from sessions.day.services.finishing import close
from sessions.models import ExchangeSession
from tests.conftest import client_of
from tests.day import ENDED, finished_day
from tests.factories import (
    NOW,
    TODAY,
    make_entry,
    make_exchange_session,
    make_fit_in_force,
    make_inbox_item,
    make_patient,
    make_prescription,
    make_result,
    make_standing,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
LOOK_BACK_DAYS = int(DEFAULTS["results_stale_days"])
TOMORROW = NOW + timedelta(days=1)
SAID = "results after the session of Mon 1 Jun have not come"


@pytest.fixture
def patient(site):
    return make_patient("R001", site=site, family_name="Larkspur")


@pytest.fixture
def closed(patient, nurse, consultant):
    """Carried out today, and closed before the results of its sample came."""
    done = finished_day(patient, nurse=nurse, consultant=consultant)
    sampled(done, nurse)
    return close(exchange_session=done, version=done.version, actor=nurse, at=NOW, key="close", reason="to come")


def sampled(session, nurse):
    """A sample is noted after a session."""
    body = {"taken_at": (ENDED + timedelta(minutes=35)).isoformat(), "place": "left arm", "from_return": False}
    make_entry(session, "sample", body, by=nurse)


def said(site, days=1):
    found = missing_after(site, TODAY + timedelta(days=days), look_back_days=LOOK_BACK_DAYS)
    return [one.words for one in found.values()]


def enter(nurse, session, **values):
    named = {Analyte[name]: value for name, value in values.items()}
    record_after_results(
        exchange_session=session, values=named, taken_at=ENDED + timedelta(minutes=35), actor=nurse, at=NOW
    )


def test_it_is_said_from_the_day_after_until_the_last_of_them_is_entered(site, closed, nurse):
    assert said(site, days=0) == []
    assert said(site) == [SAID]
    enter(nurse, closed, HB=102.0)
    assert said(site) == ["HbS after the session of Mon 1 Jun has not come"]
    enter(nurse, closed, HBS=25.5)
    assert said(site) == []


def test_where_no_sample_was_taken_nothing_is_waited_for(site, closed):
    Entry.objects.filter(kind="sample").delete()
    assert said(site) == []


def test_in_sc_disease_hbc_is_asked_for_too(site, patient, closed, nurse):
    patient.genotype = Genotype.SC
    patient.save(update_fields=["genotype"])
    enter(nurse, closed, HB=102.0, HBS=25.5)
    assert said(site) == ["HbC after the session of Mon 1 Jun has not come"]


def test_one_that_waits_in_the_inbox_has_come_and_one_that_was_withdrawn_has_not(site, patient, closed, nurse):
    enter(nurse, closed, HBS=25.5)
    held = make_result(
        patient, analyte=Analyte.HB, value=190.0, taken_at=ENDED + timedelta(minutes=35), held_reason="implausible"
    )
    assert said(site) == ["Hb after the session of Mon 1 Jun has not come"]
    item = make_inbox_item(patient, result=held, reason="far_from_last")
    assert said(site) == []
    item.state, item.choice, item.settled_at = "settled", "leave_out", NOW
    item.save()
    assert said(site) == ["Hb after the session of Mon 1 Jun has not come"]
    LabResult.objects.filter(analyte=Analyte.HBS, link__position="after").update(status=ResultStatus.WITHDRAWN)
    assert said(site) == [SAID]


def test_the_next_session_that_is_done_ends_it_and_a_planned_one_does_not(site, patient, closed):
    later = make_exchange_session(patient, on=TODAY + timedelta(days=20), state="planned", hb_before_g_l=None,
                                  hbs_before_pct=None, hb_after_g_l=None, hbs_after_pct=None)  # fmt: skip
    assert said(site, days=21) == [SAID]
    ExchangeSession.objects.filter(pk=later.pk).update(state="finished")
    assert said(site, days=21) == []


def test_nobody_is_asked_of_a_session_that_was_brought_in_or_is_older_than_a_result_may_be(
    site, patient, nurse, consultant
):
    known = {"hb_after_g_l": None, "hbs_after_pct": None}
    session = make_exchange_session(patient, on=TODAY, **known)
    sampled(session, nurse)
    assert said(site) == []
    make_prescription(session, signed_by=consultant)
    assert said(site, days=LOOK_BACK_DAYS) == [SAID]
    assert said(site, days=LOOK_BACK_DAYS + 1) == []


def test_one_that_was_given_up_after_blood_was_drawn_counts_and_one_before_does_not(site, patient, nurse, consultant):
    known = {"hb_after_g_l": None, "hbs_after_pct": None, "state": "abandoned", "ended_reason": "access failed"}
    session = make_exchange_session(patient, on=TODAY, **known)
    make_prescription(session, signed_by=consultant)
    sampled(session, nurse)
    assert said(site) == [SAID]
    ExchangeSession.objects.update(red_cells_in_ml=0, blood_out_ml=0)
    assert said(site) == []


def test_only_the_people_asked_about_and_of_the_own_site_are_read(site, other_site, patient, closed):
    tomorrow = TODAY + timedelta(days=1)
    for place, only, found in (
        (site, None, 1),
        (site, [patient.pk], 1),
        (site, [patient.pk + 1], 0),
        (other_site, None, 0),
    ):
        assert len(missing_after(place, tomorrow, look_back_days=LOOK_BACK_DAYS, only=only)) == found


def pages_of(user):
    """The list and the person's course, as they stand at this moment."""
    client = client_of(user)
    listed = b"".join(client.get(reverse("worklist:list")).streaming_content).decode()
    return listed, client.get(reverse("worklist:course", args=["R001"])).content.decode()


def test_the_list_and_the_course_say_it_with_the_way_to_the_session(site, patient, closed, nurse):
    make_standing(patient, make_fit_in_force(site))
    there = reverse("bedside:after", args=["R001", closed.pk])
    assert not [page for page in pages_of(nurse) if "have not come" in page or "After that session" in page]
    with time_machine.travel(TOMORROW):
        for page in pages_of(nurse):
            assert SAID.casefold() in page.casefold()
            assert f'href="{there}">After that session' in page
    rows = [row for band in everyone(site, TOMORROW).bands for row in band.rows]
    assert [row.missing_key for row in rows] == [closed.pk]
    assert read_course(patient, TOMORROW).missing == Missing(closed.pk, SAID)
