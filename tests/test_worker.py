"""Tasks as in production: handed over Redis to a real worker, which writes to the same database."""

import time
from datetime import timedelta

import pytest
from django.utils import timezone

from programme.planning.models import ReplanRun, Suggestion
from programme.planning.tasks import replan_all
from sessions.models import StoredForecast
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)
SECONDS_TO_WAIT = 120


def wait_for(found):
    """Return what `found` finds once it finds something; the worker takes a few seconds to start."""
    give_up = time.monotonic() + SECONDS_TO_WAIT
    while time.monotonic() < give_up:
        if (what := found()) is not None:
            return what
        time.sleep(0.2)
    pytest.fail(f"nothing came of the task within {SECONDS_TO_WAIT} s")


def make_person(site, today):
    patient = factories.make_patient(site=site)
    for exchange_session in factories.make_course(patient, last_on=today - timedelta(days=20)):
        factories.make_facts(exchange_session)
    return patient


def test_the_nightly_replan_runs_in_a_worker(site, other_site, worker):
    """The worker lives on the real clock, so these people's days are counted back from today."""
    today = timezone.now().date()
    people = [make_person(place, today) for place in (site, other_site)]
    replan_all.delay()
    wait_for(lambda: ReplanRun.objects.filter(finished_at__isnull=False).count() == 2 or None)
    for patient in people:
        assert Suggestion.objects.get(patient=patient).data_version == patient.data_version
        assert StoredForecast.objects.get(patient=patient).data_version == patient.data_version


def test_a_replan_that_is_asked_for_twice_is_done_once(site, worker):
    make_person(site, timezone.now().date())
    replan_all.delay()
    wait_for(lambda: ReplanRun.objects.filter(finished_at__isnull=False).first())
    made_at = Suggestion.objects.get().made_at
    replan_all.delay()
    wait_for(lambda: ReplanRun.objects.count() == 2 or None)
    wait_for(lambda: ReplanRun.objects.filter(finished_at=None).count() == 0 or None)
    assert Suggestion.objects.get().made_at == made_at
