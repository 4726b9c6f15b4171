"""What the course draws beside its sessions: those to come as simulated, missed visits, and the results it rests on."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from patients.models import Patient
from programme.planning.models import Suggestion
from programme.planning.services import renew
from programme.worklist.charts.full import draw_full
from programme.worklist.charts.plot import draw_plot
from programme.worklist.numeric.course import Course, Details, Later, Visit
from programme.worklist.queries.course import read_course
from sessions.history.bring_in import bring_in
from sessions.models import StoredForecast
from sessions.numeric.mechanisms.made_up import simulate
from tests import builders
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.either_database


@pytest.fixture(scope="module")
def records() -> bytes:
    made = simulate("daybyday", n_people=8, years=1.0, seed=20260602)
    return builders.history_file(made, last_on=TODAY - timedelta(days=3))


@pytest.fixture
def people(records: bytes, frozen_day: object, site: Any) -> list[Patient]:
    bring_in(site=site, data=records, actor=None, at=NOW)
    found = list(Patient.objects.order_by("patient_ref"))
    renew([patient.pk for patient in found], NOW)
    return [row.patient for row in Suggestion.objects.filter(status="ok").select_related("patient__site")]


def test_the_sessions_to_come_start_at_the_suggested_day_and_keep_the_suggested_interval(people):
    for patient in people[:3]:
        stored = Suggestion.objects.get(patient=patient)
        page = read_course(patient, NOW)
        later = page.details.later
        assert later is not None
        assert later.days[0] == stored.next_date.toordinal()
        chosen = next(choice for choice in stored.options["choices"] if choice["suggested"])
        assert set(np.diff(later.days)) <= {chosen["interval_days"]}
        assert later.days[-1] <= TODAY.toordinal() + 70
        for bands in (*later.before, *later.after):
            assert list(bands) == sorted(bands)
        # The median before the suggested session is what the stored forecast says of that day, on another way.
        middle = stored.options["working"]["hbs_before_pct"]
        assert later.before[0][2] == pytest.approx(middle, abs=2.0)


def test_the_first_session_to_come_ends_where_the_suggested_one_does(people):
    """Law: one session has one end. On paths it is as many whole units as each needs, so its median lies near by."""
    passing = 0
    for patient in people:
        stored = Suggestion.objects.get(patient=patient)
        later = read_course(patient, NOW).details.later
        end = stored.body["session"]["predicted_hbs_pct"]
        assert later.after[0][2] == pytest.approx(end, abs=1.6)
        passing += any(row["state"] == "warn" for row in stored.options["limits"])
    assert passing


def test_the_same_course_has_the_same_picture_and_the_queries_do_not_grow(people):
    counts = set()
    for patient in people[:3]:
        with CaptureQueriesContext(connection) as asked:
            first = read_course(patient, NOW)
        counts.add(len(asked.captured_queries))
        assert read_course(patient, NOW).details.later == first.details.later
    assert len(counts) == 1


def test_the_page_draws_and_explains_them(nurse_client, people):
    text = nurse_client.get(f"/people/{people[0].patient_ref}/").content.decode()
    assert 'class="p-later"' in text
    assert "simulated, each one done as suggested" in text
    assert "later sessions, simulated" in text


def test_the_working_lists_the_results_it_rests_on(nurse_client, people):
    used = StoredForecast.objects.get(patient=people[0]).results_used
    text = nurse_client.get(f"/people/{people[0].patient_ref}/").content.decode()
    assert f"Rests on {len(used)} results" in text


COURSE = Course(
    today=740_000,
    ceilings=((0, 30.0),),
    visits=(Visit(739_900, 28.0, 14.0), Visit(739_950, 33.0, 15.0, missed=True)),
)


def test_a_missed_visit_has_its_mark():
    plain = Course(COURSE.today, COURSE.ceilings, tuple(Visit(v.day, v.before_pct, v.after_pct) for v in COURSE.visits))
    assert draw_full(COURSE, Details(110.0)).missed.count("M") == 2
    assert draw_full(plain, Details(110.0)).missed == ""
    names = [trace["name"] for trace in draw_plot(COURSE, Details(110.0))["data"]]
    assert "came late after a missed visit" in names
    assert "came late after a missed visit" not in [t["name"] for t in draw_plot(plain, Details(110.0))["data"]]


def test_what_lies_beyond_the_picture_or_under_a_lock_is_not_drawn():
    bands = (20.0, 22.0, 24.0, 26.0, 28.0)
    later = Later((740_010, 740_038, 740_066, 740_094), (bands,) * 4, (tuple(b - 10 for b in bands),) * 4)
    drawn = draw_full(COURSE, Details(110.0, later=later))
    assert drawn.later_line.count("M") == 2
    assert drawn.later_fan.count("Z") == 2
    assert draw_full(COURSE, Details(110.0, later=later, locked=True)).later_line == ""
