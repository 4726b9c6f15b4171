"""Facts as stored: which results they rest on, what a gap held, and that building them anew changes nothing."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from patients.models import Analyte, Patient
from programme.core.models import Site
from sessions.facts import FACTS_VERSION, rebuild_facts
from sessions.models import ExchangeSession, ResultLink, SessionFacts
from sessions.numeric.packed import FIGURES, method_code, unpack
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
FIRST, SECOND = date(2026, 4, 6), date(2026, 5, 4)


@pytest.fixture
def patient(site: Site) -> Patient:
    return factories.make_patient("T-1", site=site)


def facts_of(session: ExchangeSession) -> SessionFacts:
    rebuild_facts([session.patient_id], NOW)
    return SessionFacts.objects.get(exchange_session=session)


def test_facts_name_their_results_and_their_code(patient: Patient) -> None:
    session = factories.make_exchange_session(patient)
    facts = facts_of(session)
    linked = {(link.position, link.result.analyte): link.result_id for link in session.result_links.all()}
    assert facts.hbs_before_result == linked["before", Analyte.HBS]
    assert facts.hbs_after_result == linked["after", Analyte.HBS]
    assert facts.hb_before_result == linked["before", Analyte.HB]
    assert facts.hb_after_result == linked["after", Analyte.HB]
    assert (facts.code_version, facts.day, facts.untransfused_pct) == (FACTS_VERSION, session.on.toordinal(), 87.0)


def test_building_anew_changes_nothing(patient: Patient) -> None:
    factories.make_course(patient, sessions=4)
    rebuild_facts([patient.pk], NOW)
    before = list(SessionFacts.objects.order_by("day").values())
    rebuild_facts([patient.pk, patient.pk], NOW)
    assert list(SessionFacts.objects.order_by("day").values()) == before
    assert len(before) == 4


def test_what_is_packed_of_a_row_is_what_its_columns_say(patient: Patient) -> None:
    factories.make_exchange_session(patient, hbs_after_pct=None, hbs_method="HPLC")
    rebuild_facts([patient.pk], NOW)
    facts = SessionFacts.objects.get()
    facts.hbs_before_pct = 44.5
    facts.save()
    facts = SessionFacts.objects.get()
    (row,) = unpack([bytes(facts.packed)])
    read = {name: None if np.isnan(value) else value for name, value in zip(FIGURES, row.tolist(), strict=True)}
    said = {name: getattr(facts, name) for name in FIGURES} | {"method": method_code("HPLC")}
    assert read == said
    assert (read["hbs_before_pct"], read["hbs_after_pct"]) == (44.5, None)


def test_facts_are_never_changed_in_place(patient: Patient) -> None:
    factories.make_exchange_session(patient)
    rebuild_facts([patient.pk], NOW)
    with pytest.raises(TypeError, match="never changed in place"):
        SessionFacts.objects.update(hbs_before_pct=30.0)
    assert SessionFacts.objects.get().hbs_before_pct == 45.0


def test_only_what_was_carried_out_has_facts(patient: Patient) -> None:
    factories.make_planned_session(patient)
    factories.make_exchange_session(patient, on=FIRST, state="cancelled", ended_reason="no access")
    rebuild_facts([patient.pk], NOW)
    assert SessionFacts.objects.count() == 0


def test_the_last_sample_before_and_the_first_after_count(patient: Patient) -> None:
    session = factories.make_exchange_session(patient, on=SECOND, hbs_before_pct=None, hbs_after_pct=None)
    for hour, value, position in ((7, 41.0, "before"), (8, 42.0, "before"), (15, 17.0, "after"), (18, 19.0, "after")):
        taken = datetime(2026, 5, 4, hour, tzinfo=UTC)
        result = factories.make_result(patient, value=value, on=SECOND, taken_at=taken)
        ResultLink.objects.create(exchange_session=session, result=result, position=position)
    facts = facts_of(session)
    assert (facts.hbs_before_pct, facts.hbs_after_pct) == (42.0, 17.0)


def test_preliminary_and_held_results_do_not_count(patient: Patient) -> None:
    session = factories.make_exchange_session(patient, hbs_before_pct=None, hbs_after_pct=None)
    for position, fields in (("before", {"status": "preliminary"}), ("after", {"held_reason": "wrong tube?"})):
        result = factories.make_result(patient, on=session.on, **fields)
        ResultLink.objects.create(exchange_session=session, result=result, position=position)
    facts = facts_of(session)
    assert (facts.hbs_before_pct, facts.hbs_after_pct) == (None, None)
    assert facts.missing == "HbS before, HbS after"


def test_in_sc_disease_hbc_is_added_and_needed(site: Site) -> None:
    patient = factories.make_patient("T-SC", site=site, genotype="SC")
    session = factories.make_exchange_session(patient, hbs_before_pct=24.0, hbs_after_pct=10.0)
    hbc = factories.make_result(patient, analyte=Analyte.HBC, value=22.0, on=session.on)
    ResultLink.objects.create(exchange_session=session, result=hbc, position="before")
    facts = facts_of(session)
    assert (facts.hbs_before_pct, facts.hbs_after_pct, facts.untransfused_pct) == (46.0, None, 95.0)
    assert facts.missing == "HbS with HbC after"


def test_past_records_of_someone_with_sc_hold_the_sum_already(site: Site) -> None:
    patient = factories.make_patient("T-SC", site=site, genotype="SC")
    session = factories.make_exchange_session(patient, hbs_before_pct=None, hbs_after_pct=None)
    result = factories.make_result(patient, value=46.0, on=session.on, source="history")
    ResultLink.objects.create(exchange_session=session, result=result, position="before")
    assert facts_of(session).hbs_before_pct == 46.0


@pytest.mark.parametrize(("admission", "transfused", "known"), [
    ("", False, True), ("no", False, True), ("yes", False, True), ("unknown", False, False),
    ("transfused", False, False), ("transfused", True, True),
])  # fmt: skip
def test_an_admission_in_the_gap(admission: str, transfused: bool, known: bool, patient: Patient) -> None:
    factories.make_exchange_session(patient, on=FIRST)
    session = factories.make_exchange_session(patient, on=SECOND, admission_in_gap=admission)
    if transfused:
        factories.make_other_transfusion(patient, on=FIRST + timedelta(days=10))
    facts = facts_of(session)
    assert facts.gap_known is known
    assert facts.topup_hb_g == (52.0 if transfused else 0.0)


@pytest.mark.parametrize(("on", "hb_g"), [
    (FIRST, 0.0), (FIRST + timedelta(days=1), 52.0), (SECOND, 52.0), (SECOND + timedelta(days=1), 0.0),
])  # fmt: skip
def test_a_top_up_belongs_to_the_gap_in_which_it_was_given(on: date, hb_g: float, patient: Patient) -> None:
    factories.make_exchange_session(patient, on=FIRST)
    session = factories.make_exchange_session(patient, on=SECOND)
    factories.make_other_transfusion(patient, on=on)
    assert facts_of(session).topup_hb_g == hb_g


def test_two_top_ups_count_together_on_their_middle_day(patient: Patient) -> None:
    factories.make_exchange_session(patient, on=FIRST)
    session = factories.make_exchange_session(patient, on=SECOND)
    factories.make_other_transfusion(patient, on=FIRST + timedelta(days=4), hb_g=50.0)
    factories.make_other_transfusion(patient, on=FIRST + timedelta(days=16), hb_g=100.0)
    facts = facts_of(session)
    assert (facts.topup_hb_g, facts.topup_day) == (150.0, (FIRST + timedelta(days=12)).toordinal())


def test_a_child_has_the_height_of_the_day(site: Site) -> None:
    child = factories.make_child("T-C", site=site, birth_date=date(2014, 1, 1))
    factories.make_measure(child, on=date(2026, 4, 20), weight_kg=50, height_cm=150)
    early = factories.make_exchange_session(child, on=FIRST, weight_kg=50)
    late = factories.make_exchange_session(child, on=SECOND, weight_kg=50)
    rebuild_facts([child.pk], NOW)
    before, after = (SessionFacts.objects.get(exchange_session=session) for session in (early, late))
    assert before.blood_volume_ml is not None and after.blood_volume_ml is not None
    assert before.blood_volume_ml < after.blood_volume_ml


def test_the_day_by_which_all_was_known(patient: Patient) -> None:
    session = factories.make_exchange_session(patient, on=SECOND)
    assert facts_of(session).known_day == SECOND.toordinal()
    late = session.result_links.get(position="after", result__analyte=Analyte.HBS).result
    late.received_at = datetime(2026, 5, 9, 23, 30, tzinfo=UTC)  # the tenth, by the site's clock
    late.save()
    assert facts_of(session).known_day == date(2026, 5, 10).toordinal()


def test_a_setting_of_the_site_counts(patient: Patient, site: Site) -> None:
    session = factories.make_exchange_session(patient)
    plain = facts_of(session).net_iron_mg
    factories.make_site_setting(site=site, name="unit_hb_g", value=60)
    richer = facts_of(session).net_iron_mg
    assert plain is not None and richer is not None and richer > plain


def test_many_people_take_as_many_queries_as_one(site: Site, django_assert_num_queries: Any) -> None:
    people = [factories.make_patient(site=site) for _ in range(3)]
    for person in people:
        factories.make_course(person, sessions=2)
    with django_assert_num_queries(14) as one:
        rebuild_facts([people[0].pk], NOW)
    with django_assert_num_queries(len(one)):
        rebuild_facts([person.pk for person in people], NOW)


def test_the_command_builds_everyone_s_facts_and_makes_what_rests_on_them_stale(
    patient: Patient, other_site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    elsewhere = factories.make_patient("T-9", site=other_site)
    for person in (patient, elsewhere):
        factories.make_exchange_session(person)
    call_command("rebuild_facts", site=patient.site.code)
    assert list(SessionFacts.objects.values_list("patient", flat=True)) == [patient.pk]
    call_command("rebuild_facts")
    assert SessionFacts.objects.count() == 2
    versions = dict(Patient.objects.values_list("patient_ref", "data_version"))
    assert versions == {"T-1": 3, "T-9": 2}
    assert "Built the facts of 2 people anew." in capsys.readouterr().err
    with pytest.raises(CommandError, match="no site 'nowhere'") as wrong:
        call_command("rebuild_facts", site="nowhere")
    assert wrong.value.returncode == 2
