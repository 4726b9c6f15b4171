"""From samples and signs on record to a lock that stands in place of a suggestion."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from patients import services as people
from patients.models import Analyte, LabResult
from programme.planning.locks import lock_words
from programme.planning.reckoning import SiteAsOf
from sessions import services as exchange
from sessions.facts import rebuild_facts
from sessions.models import ExchangeSession
from tests import factories

TODAY = factories.TODAY
ZONE = ZoneInfo("Europe/London")

pytestmark = pytest.mark.django_db


@pytest.fixture
def ada(site):
    """Somebody with a quiet year: HbS 27 before, 15 after, Hb 90 and 102, the last session ten days ago."""
    patient = factories.make_patient("SM-042", site=site)
    for number in range(12, -1, -1):
        factories.make_exchange_session(
            patient, on=TODAY - timedelta(days=10 + 28 * number),
            hbs_before_pct=27.0 + number % 3, hbs_after_pct=15.0 + number % 2, hb_before_g_l=90.0 + number % 4,
            hb_after_g_l=102.0 - number % 3,
        )  # fmt: skip
    rebuild_facts([patient.pk], factories.NOW)
    return patient


def sample(patient, nurse, *, days_ago: int, hb: float, hbs: float) -> list[LabResult]:
    taken = datetime.combine(TODAY - timedelta(days=days_ago), datetime.min.time(), tzinfo=ZONE) + timedelta(hours=10)
    return [
        people.record_result(
            patient=patient, analyte=analyte, value=value, taken_at=taken, actor=nurse, at=factories.NOW
        )
        for analyte, value in ((Analyte.HB, hb), (Analyte.HBS, hbs))
    ]


def found(patient):
    return SiteAsOf(patient.site, TODAY).reckoned()


def test_an_ordinary_sample_between_sessions_locks_nobody(ada, nurse):
    sample(ada, nurse, days_ago=2, hb=97, hbs=19)
    seen = found(ada)
    assert seen.locks == {}
    assert seen.said.bar[0] == 0


def test_hb_and_hba_both_far_too_low_lock_and_nothing_is_suggested(ada, nurse):
    # Hyperhaemolysis: Hb under its value before the transfusion and HbA more than halved
    # (Hendrickson JE, Fasano RM. Hematology 2021:704-9).
    sample(ada, nurse, days_ago=2, hb=58, hbs=55)
    seen = found(ada)
    assert list(seen.locks) == [ada.pk]
    words = lock_words(seen.locks[ada.pk])
    assert next(row["found"] for row in words["rows"]) == 58
    assert words["until"] == (TODAY + timedelta(days=26)).isoformat()
    assert np.isnan(seen.said.end_target_pct[0])
    assert seen.said.next_day[0] == 0


def test_a_low_hb_alone_does_not_lock(ada, nurse):
    # Hb a little under what is expected, but donor cells as many as expected: not haemolysis of donor cells.
    sample(ada, nurse, days_ago=2, hb=90, hbs=14)
    assert found(ada).locks == {}


def test_a_withdrawn_sample_no_longer_locks(ada, nurse):
    hb, _ = sample(ada, nurse, days_ago=2, hb=58, hbs=55)
    people.withdraw_result(result=hb, why="another person's tube", actor=nurse, at=factories.NOW)
    assert found(ada).locks == {}


def test_dark_urine_within_28_days_locks_without_any_sample(ada, nurse):
    exchange.note_haemolysis_sign(
        patient=ada, on=TODAY - timedelta(days=1), sign="dark_urine", actor=nurse, at=factories.NOW
    )
    words = lock_words(found(ada).locks[ada.pk])
    assert words["rows"] == [{"sign": "Dark urine, 9 days after red cells."}]


@pytest.mark.parametrize("last_days_ago", [10, 40, None])
def test_a_reaction_to_a_unit_of_today_locks_though_its_session_still_runs(ada, consultant, last_days_ago):
    """Also forty days after the last session, and in the first of all: what was given today is what it followed."""
    courses = ExchangeSession.objects.filter(patient=ada)
    if last_days_ago is None:
        ada = factories.make_patient("SM-043", site=ada.site)
    else:
        for done in courses.order_by("on"):
            ExchangeSession.objects.filter(pk=done.pk).update(on=done.on - timedelta(days=last_days_ago - 10))
        rebuild_facts([ada.pk], factories.NOW)
    running = factories.make_running(ada, by=consultant)
    note = {"patient": ada, "on": TODAY, "sign": "reaction", "actor": consultant, "at": factories.NOW}
    exchange.note_haemolysis_sign(**note)
    running.donation_units.filter(place=1).update(state="running")
    words = lock_words(found(ada).locks[ada.pk])
    assert words["rows"] == [{"sign": "A reaction under investigation, on the day of red cells."}]


def test_only_a_consultant_lifts_it_and_what_was_judged_stays_judged(ada, nurse, consultant):
    sample(ada, nurse, days_ago=2, hb=58, hbs=55)
    exchange.lift_lock(patient=ada, reason="bleeding, not haemolysis", actor=consultant, at=factories.NOW)
    assert found(ada).locks == {}


def test_a_sample_of_the_session_day_is_not_held_against_the_day_itself(ada, nurse):
    last = ExchangeSession.objects.filter(patient=ada).order_by("-on")[0]
    sample(ada, nurse, days_ago=(TODAY - last.on).days, hb=58, hbs=55)
    assert found(ada).locks == {}
