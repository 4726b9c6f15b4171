"""Reading a site or some of its people: columns as known on a day, and people as they are on a day."""

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from patients.models import Analyte, Patient
from programme.core.models import Site, User
from programme.core.numeric.setting_table import DEFAULTS
from programme.core.settings_of_site import site_settings
from sessions.facts import rebuild_facts
from sessions.models import ResultLink, SessionFacts
from sessions.numeric.columns import METHOD_UNKNOWN
from sessions.queries.past import ceilings_at, people_to_learn_from, session_columns
from sessions.queries.people import PersonRecord, people_inputs
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
ON = date(2026, 5, 4)


def record_of(patient: Patient, on: date = TODAY) -> PersonRecord:
    (record,) = people_inputs(patient.site, on, dict(DEFAULTS), patient_pks=(patient.pk,))
    return record


# Sessions in columns


def test_columns_hold_the_facts_in_order_of_reference_and_day(site: Site) -> None:
    later = factories.make_patient("B-2", site=site)
    earlier = factories.make_patient("A-1", site=site)
    nobody = factories.make_patient("C-3", site=site)
    for patient in (later, earlier):
        factories.make_course(patient, sessions=2, end_pct=14.0)
    rebuild_facts([later.pk, earlier.pk], NOW)
    read = session_columns(site, until=TODAY)
    assert read.patient_refs == ("A-1", "B-2", "C-3")
    assert read.patient_pks == (earlier.pk, later.pk, nobody.pk)
    assert read.columns.n_people == 3
    assert read.columns.person.tolist() == [0, 0, 1, 1]
    assert (np.diff(read.columns.day.reshape(2, 2), axis=1) == 28).all()
    assert read.columns.hbs_after_pct.tolist() == [14.0] * 4
    stored = SessionFacts.objects.order_by("patient__patient_ref", "day").values_list("hbs_ratio", flat=True)
    assert read.columns.hbs_ratio.tolist() == list(stored)


def test_each_row_has_the_ceiling_that_was_in_force_on_its_day(site: Site) -> None:
    first, second = factories.make_patient("A-1", site=site), factories.make_patient("B-2", site=site)
    for patient in (first, second):
        for day in (date(2026, 3, 2), date(2026, 4, 6), ON):
            factories.make_exchange_session(patient, on=day)
    factories.make_goals(first, since=date(2026, 4, 6), hbs_ceiling_pct=35)
    factories.make_goals(first, since=date(2026, 4, 20), hbs_ceiling_pct=40)
    rebuild_facts([first.pk, second.pk], NOW)
    read = session_columns(site, until=TODAY)
    assert ceilings_at(site, read, default_pct=30.0).tolist() == [30, 35, 40, 30, 30, 30]


def test_missing_figures_are_nan_and_methods_are_told_apart(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site)
    days = (date(2026, 3, 2), date(2026, 4, 6), ON)
    for day, method in zip(days, ("", "HPLC", "capillary"), strict=True):
        factories.make_exchange_session(patient, on=day, hbs_after_pct=None, hbs_method=method)
    rebuild_facts([patient.pk], NOW)
    columns = session_columns(site, until=TODAY).columns
    assert np.isnan(columns.hbs_after_pct).all()
    unknown, *known = columns.method.tolist()
    assert unknown == METHOD_UNKNOWN
    assert len({unknown, *known}) == 3


def test_a_day_in_the_past_knows_nothing_of_what_came_later(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site)
    factories.make_course(patient, sessions=3)
    rebuild_facts([patient.pk], NOW)
    whole = session_columns(site, until=ON).columns
    early = session_columns(site, until=ON - timedelta(days=1)).columns
    assert (len(whole), len(early)) == (3, 2)
    for name in ("hbs_before_pct", "hbs_ratio", "hbs_ratio_sd", "blood_volume_ml"):
        np.testing.assert_array_equal(getattr(early, name), getattr(whole, name)[:2])


@pytest.mark.parametrize(("known_by", "value"), [(None, 18.0), (ON, None), (date(2026, 5, 6), 18.0)])
def test_a_result_counts_from_the_day_it_was_received(known_by: date | None, value: float | None, site: Site) -> None:
    patient = factories.make_patient("A-1", site=site)
    session = factories.make_exchange_session(patient, on=ON)
    result = session.result_links.get(position="after", result__analyte=Analyte.HBS).result
    result.received_at = datetime(2026, 5, 6, 11, tzinfo=ZoneInfo("Europe/London"))
    result.save()
    rebuild_facts([patient.pk], NOW)
    columns = session_columns(site, until=ON, known_by=known_by).columns
    assert columns.hbs_after_pct.tolist() == [value] or (value is None and np.isnan(columns.hbs_after_pct).all())
    assert columns.hbs_before_pct.tolist() == [45.0]
    assert np.isfinite(columns.hbs_ratio).all()


def test_a_sample_taken_after_the_day_is_not_known_on_it(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site)
    session = factories.make_exchange_session(patient, on=ON, hbs_after_pct=None)
    next_day = factories.make_result(patient, value=17.0, on=ON + timedelta(days=1))
    ResultLink.objects.create(exchange_session=session, result=next_day, position="after")
    rebuild_facts([patient.pk], NOW)
    assert np.isnan(session_columns(site, until=ON).columns.hbs_after_pct).all()
    assert session_columns(site, until=ON + timedelta(days=1)).columns.hbs_after_pct.tolist() == [17.0]


def test_another_site_is_not_read(site: Site, other_site: Site) -> None:
    patient = factories.make_patient("A-1", site=other_site)
    factories.make_exchange_session(patient)
    rebuild_facts([patient.pk], NOW)
    read = session_columns(site, until=TODAY)
    assert (len(read.columns), read.patient_refs) == (0, ())


def test_some_people_are_read_as_they_are_among_all_and_those_of_another_site_never(
    site: Site, other_site: Site
) -> None:
    people = [factories.make_patient(ref, site=site) for ref in ("C-3", "A-1", "B-2")]
    stranger = factories.make_patient("A-1", site=other_site)
    for patient in (*people, stranger):
        factories.make_course(patient, sessions=3)
    keys = [patient.pk for patient in people]
    rebuild_facts([*keys, stranger.pk], NOW)
    whole = session_columns(site, until=TODAY)
    some = session_columns(site, until=TODAY, only=[keys[0], keys[2], stranger.pk])
    assert some.patient_refs == ("B-2", "C-3")
    assert some.columns.day.tolist() == whole.columns.day[3:].tolist()
    assert some.results.tolist() == whole.results[3:].tolist()
    assert len(session_columns(site, until=TODAY, only=[]).columns) == 0


def test_a_large_site_is_learnt_from_people_spread_evenly_over_it(site: Site) -> None:
    people = [factories.make_patient(f"A-{number:02d}", site=site) for number in range(10)]
    for patient in people:
        factories.make_course(patient, sessions=3)
    rebuild_facts([patient.pk for patient in people], NOW)
    keys = [patient.pk for patient in people]
    assert people_to_learn_from(site, until=TODAY, most_gaps=20) == keys
    assert people_to_learn_from(site, until=TODAY, most_gaps=6) == [keys[0], keys[4], keys[9]]
    assert people_to_learn_from(site, until=date(2020, 1, 1), most_gaps=6) == []


def test_the_same_number_of_queries_for_one_and_for_three(site: Site, django_assert_num_queries: Any) -> None:
    for number in range(3):
        patient = factories.make_patient(f"A-{number}", site=site)
        factories.make_exchange_session(patient)
        rebuild_facts([patient.pk], NOW)
        with django_assert_num_queries(2):
            assert len(session_columns(site, until=TODAY).columns) == number + 1
        with django_assert_num_queries(5):
            assert len(people_inputs(site, TODAY, dict(DEFAULTS))) == number + 1


# People as on a day


def test_a_person_is_read_with_what_counts_on_the_day(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site, flag_heart=True)
    factories.make_goals(patient, since=date(2026, 3, 1), hbs_ceiling_pct=25, clinic_days="1,3", units_most=6)
    factories.make_goals(patient, since=date(2026, 7, 1), hbs_ceiling_pct=40)
    factories.make_measure(patient, on=date(2026, 2, 1), weight_kg=61.0, height_cm=None)
    record = record_of(patient)
    assert (record.patient_ref, record.female, record.genotype, record.untransfused_pct) == ("A-1", True, "SS", 87.0)
    assert (record.hbs_ceiling_pct, record.goals_since, record.clinic_weekdays) == (25.0, date(2026, 3, 1), (1, 3))
    assert (record.weight_kg, record.weight_on, record.height_cm) == (61.0, date(2026, 2, 1), 165.0)
    assert (record.units_most, record.is_flagged, record.pregnant, record.last_on) == (6, True, False, None)
    assert record.age_years == pytest.approx(32.2, abs=0.1)
    early = record_of(patient, on=date(2026, 2, 15))
    assert (early.hbs_ceiling_pct, early.goals_since) == (30.0, date(2024, 1, 2))


def test_the_weight_of_the_last_session_counts_as_a_weight(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site)
    factories.make_exchange_session(patient, on=ON, weight_kg=63.5)
    factories.make_planned_session(patient, weight_kg=99.0, on=date(2026, 5, 20))
    record = record_of(patient)
    assert (record.weight_kg, record.weight_on, record.last_on) == (63.5, ON, ON)


def test_a_session_carried_out_here_makes_no_old_weight_new(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site, with_measure=False)
    factories.make_measure(patient, on=date(2026, 2, 1), weight_kg=21.0)
    factories.make_exchange_session(patient, on=ON, weight_kg=21.0, origin="here")
    record = record_of(patient)
    assert (record.weight_kg, record.weight_on, record.last_on) == (21.0, date(2026, 2, 1), ON)


def test_a_withdrawn_measure_does_not_count(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site)
    factories.make_measure(patient, on=ON, weight_kg=16.0, height_cm=100.0, withdrawn_reason="typed wrongly")
    record = record_of(patient)
    assert (record.weight_kg, record.height_cm) == (60.0, 165.0)


def test_someone_without_records_has_the_site_s_defaults_and_nan(site: Site) -> None:
    patient = factories.make_patient(
        "A-1", site=site, with_goals=False, with_measure=False, birth_date=None, genotype=""
    )
    factories.make_site_setting(site=site, name="hbs_ceiling_pct", value=35)
    (record,) = people_inputs(site, TODAY, site_settings(site, NOW))
    assert (record.pk, record.hbs_ceiling_pct, record.goals_since) == (patient.pk, 35.0, None)
    assert (record.untransfused_pct, record.hb_ceiling_g_l) == (90.0, 110.0)
    assert np.isnan([record.age_years, record.height_cm, record.weight_kg]).all()
    assert record.weight_on is None


def test_only_those_on_the_programme_are_read_unless_they_are_named(site: Site) -> None:
    factories.make_patient("A-1", site=site)
    gone = factories.make_patient("A-2", site=site, standing="left")
    assert [record.patient_ref for record in people_inputs(site, TODAY, dict(DEFAULTS))] == ["A-1"]
    assert record_of(gone).standing == "left"


def test_someone_who_joined_later_is_not_read_on_an_earlier_day(site: Site) -> None:
    joined = factories.make_patient("A-1", site=site, standing_since=ON)
    assert people_inputs(site, ON - timedelta(days=1), dict(DEFAULTS)) == ()
    assert len(people_inputs(site, ON, dict(DEFAULTS))) == 1
    factories.make_exchange_session(joined, on=ON - timedelta(days=28))  # an older record was brought in since
    assert len(people_inputs(site, ON - timedelta(days=1), dict(DEFAULTS))) == 1


def test_transfusions_since_the_last_session_are_open(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site)
    factories.make_exchange_session(patient, on=ON)
    factories.make_other_transfusion(patient, on=ON - timedelta(days=3))
    factories.make_other_transfusion(patient, on=ON + timedelta(days=3))
    factories.make_other_transfusion(patient, on=ON + timedelta(days=4), amount_known=False)
    factories.make_other_transfusion(patient, on=ON + timedelta(days=5), withdrawn_reason="another person")
    first, second = record_of(patient).open_transfusions
    assert (first.on, first.hb_g) == (ON + timedelta(days=3), 52.0)
    assert np.isnan(second.hb_g)


def test_signs_are_open_until_the_lock_is_lifted_after_them(site: Site, consultant: User) -> None:
    patient = factories.make_patient("A-1", site=site)
    factories.make_haemolysis_sign(patient, on=date(2026, 5, 14))
    assert record_of(patient).open_signs == ((date(2026, 5, 14), "dark urine"),)
    factories.make_lock_lift(patient, by=consultant, on=date(2026, 5, 25))
    assert record_of(patient).open_signs == ()
    assert record_of(patient, on=date(2026, 5, 20)).open_signs == ((date(2026, 5, 14), "dark urine"),)
    # Seen on the day of the lift, but noted after it: the lock holds again.
    factories.make_haemolysis_sign(
        patient, on=date(2026, 5, 25), noted_at=factories.at_nine(date(2026, 5, 25)) + timedelta(hours=1)
    )
    assert record_of(patient).open_signs == ((date(2026, 5, 25), "dark urine"),)


def test_pregnancy_holds_from_its_first_day_to_before_its_end(site: Site) -> None:
    patient = factories.make_patient("A-1", site=site, pregnant_since=ON, pregnant_until=date(2026, 6, 1))
    days = (ON - timedelta(days=1), ON, date(2026, 5, 31), date(2026, 6, 1))
    assert [record_of(patient, on=day).pregnant for day in days] == [False, True, True, False]
