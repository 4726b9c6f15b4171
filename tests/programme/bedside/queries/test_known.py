"""What counts as before a session, and what a plan names of it."""

from datetime import date, timedelta

import pytest

from patients import services as patient_services
from patients.models import Analyte, Genotype
from programme.bedside.queries.day_plan import day_plan
from programme.bedside.queries.known import known_of
from programme.bedside.queries.start import chairside_of
from sessions.day.inputs import changed_since, standing_of
from tests import factories
from tests.factories import NOW, TODAY, at_nine

pytestmark = pytest.mark.django_db


@pytest.fixture
def patient(site):
    someone = factories.make_patient("R1", site=site)
    factories.make_exchange_session(someone)
    return someone


def test_a_result_counts_for_72_hours_and_never_one_of_the_last_session(patient):
    """72 h is the site's default for a result that counts as 'before' (common practice)."""
    old = factories.make_result(patient, analyte=Analyte.HB, value=80.0, taken_at=NOW - timedelta(hours=73))
    assert known_of(patient, on=TODAY, at=NOW).hb is None
    new = factories.make_result(patient, analyte=Analyte.HB, value=81.0, taken_at=NOW - timedelta(hours=71))
    assert known_of(patient, on=TODAY, at=NOW).hb == new != old
    assert known_of(patient, on=TODAY, at=NOW).hbs is None  # only that of the last session is on record


def test_for_a_session_of_a_later_day_hours_count_from_that_morning(patient):
    factories.make_result(patient, analyte=Analyte.HB, value=80.0)
    assert known_of(patient, on=TODAY + timedelta(days=2), at=NOW).hb is not None
    assert known_of(patient, on=TODAY + timedelta(days=4), at=NOW).hb is None


def test_a_withdrawn_weight_or_result_counts_for_nothing(patient, nurse):
    weight = factories.make_measure(patient, on=TODAY, weight_kg=58.0, height_cm=None)
    result = factories.make_result(patient, analyte=Analyte.HB, value=94.0)
    assert known_of(patient, on=TODAY, at=NOW).weight == weight
    patient_services.withdraw_measure(measure=weight, why="with shoes", actor=nurse, at=NOW)
    patient_services.withdraw_result(result=result, why="clotted", actor=nurse, at=NOW)
    known = known_of(patient, on=TODAY, at=NOW)
    assert (known.hb, known.weight) == (None, None)
    assert known.record.weight_kg == 60.0  # as at the last session


def test_the_day_of_weighing_is_the_one_that_the_checks_before_starting_ask_for(patient, consultant):
    session = factories.make_planned_session(patient, on=TODAY)
    factories.make_prescription(session, signed_by=consultant)
    known, chairside = known_of(patient, on=TODAY, at=NOW), chairside_of(session, today=TODAY, at=NOW)
    assert known.record.weight_on > known.weighed_on == chairside.weight_on == date(2024, 1, 2)
    assert "881 days old; up to 92" in words_of_weight(session)
    factories.make_measure(patient, on=TODAY, weight_kg=60.0, height_cm=None)
    assert words_of_weight(session) == ""


def words_of_weight(exchange_session):
    """What the page of the plan says beside it about the weight."""
    found = day_plan(exchange_session, known_of(exchange_session.patient, on=TODAY, at=NOW)).cautions
    return next((caution.words for caution in found if caution.name == "weight"), "")


def test_in_sc_disease_the_share_is_hbs_and_hbc_of_one_sample(site, consultant, nurse):
    patient = factories.make_patient("SC1", site=site, genotype=Genotype.SC)
    hbs = factories.make_result(patient, analyte=Analyte.HBS, value=21.4)
    assert known_of(patient, on=TODAY, at=NOW).hbs_pct is None
    hbc = factories.make_result(patient, analyte=Analyte.HBC, value=19.3)
    known = known_of(patient, on=TODAY, at=NOW)
    assert known.hbs_pct == 40.7
    running = factories.make_planned_session(patient, on=TODAY)
    named = {"hbs": {"result": hbs.pk, "with": [hbc.pk], "value": 40.7}, **standing_of(patient, TODAY)}
    plan = factories.make_prescription(running, signed_by=consultant, inputs=named)
    assert changed_since(plan, patient, TODAY) == ()
    patient_services.correct_result(result=hbc, value=9.3, why="typed", actor=nurse, at=NOW)
    assert changed_since(plan, patient, TODAY) == ("HbC 19.3 % of 1 Jun, 10:00 was corrected to 9.3 %: typed.",)


def test_hbc_of_another_sample_is_not_added(site):
    patient = factories.make_patient("SC2", site=site, genotype=Genotype.SC)
    factories.make_result(patient, analyte=Analyte.HBS, value=21.4)
    factories.make_result(patient, analyte=Analyte.HBC, value=19.3, taken_at=at_nine(TODAY) - timedelta(hours=5))
    assert known_of(patient, on=TODAY, at=NOW).hbs_pct is None
