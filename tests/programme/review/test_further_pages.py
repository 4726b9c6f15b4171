"""Monitoring, reasons and quality of the data: counted by hand, with the people behind each, and whose they are."""

import csv
import io
from datetime import timedelta

import pytest
from statsmodels.stats.proportion import proportion_confint

from patients.models import Analyte
from programme.core.settings_of_site import site_settings
from programme.review.queries.asked import Asked
from programme.review.queries.behind import Who, grouped
from programme.review.queries.data_quality import data_quality
from programme.review.queries.monitoring import monitoring
from programme.review.queries.reasons import reasons
from sessions.facts import rebuild_facts
from sessions.models import State
from tests import factories
from tests.browsing import WIDTHS, faults_of, pixels_beyond_the_window
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.database]
YEAR = Asked(TODAY - timedelta(days=364), TODAY)
PAGES = ("/review/monitoring/", "/review/reasons/", "/review/data/")


def checks(site):
    return monitoring(site, TODAY, site_settings(site, NOW))


def lacks(site, asked=YEAR):
    return {one.words: one for one in data_quality(site, asked, TODAY, site_settings(site, NOW))}


def told(site, asked=YEAR):
    return {one.title: one for one in reasons(site, asked)}


def decided(patient, reason):
    factories.make_goals(patient, since=TODAY - timedelta(days=9), answers="overridden", reason=reason)


def refs(people):
    return [who.patient_ref for who in people]


# As they may leave the unit


def lines_of(client, address):
    sent = client.get(f"{address}csv/")
    assert sent["Content-Type"].startswith("text/csv") and "attachment" in sent["Content-Disposition"]
    return list(csv.DictReader(io.StringIO(sent.content.decode(), newline="")))


def test_checks_as_a_file_mask_a_whole_check_where_one_part_is_small(site, nurse_client, frozen_day):
    people = [factories.make_patient(site=site, birth_date=TODAY - timedelta(days=40 * 365)) for _ in range(12)]
    for patient in people[:6]:
        factories.make_result(patient, analyte=Analyte.FERRITIN, value=900.0, on=TODAY - timedelta(days=20))
    for patient in people[6:]:
        factories.make_result(patient, analyte=Analyte.FERRITIN, value=900.0, on=TODAY - timedelta(days=200))
    rows = {row["check"]: row for row in lines_of(nurse_client, "/review/monitoring/")}
    ferritin = rows["ferritin"]
    assert (ferritin["asked"], ferritin["in_time"], ferritin["overdue"], ferritin["no_record"]) == ("12", "6", "6", "0")
    low, high = proportion_confint(6, 12, method="wilson")
    assert (ferritin["low_95"], ferritin["high_95"]) == (f"{100 * low:.1f}", f"{100 * high:.1f}")
    factories.make_patient(site=site, birth_date=TODAY - timedelta(days=40 * 365))  # one without a record
    ferritin = {row["check"]: row for row in lines_of(nurse_client, "/review/monitoring/")}["ferritin"]
    assert ferritin["asked"] == "13"
    assert {ferritin[name] for name in ("in_time", "overdue", "no_record", "in_time_pct")} == {"masked"}
    assert ferritin["low_95"] == ferritin["high_95"] == ""


def test_words_of_few_people_do_not_leave_the_unit(site, nurse_client, frozen_day):
    people = [factories.make_patient(site=site) for _ in range(11)]
    for patient in people[:5]:
        decided(patient, "exams")
    for patient in people[5:8]:
        decided(patient, f"the child of {patient.patient_ref} is ill")
    rows = [row for row in lines_of(nurse_client, "/review/reasons/") if row["what"].startswith("Suggestions")]
    assert [(row["in_words"], row["how_often"], row["people"]) for row in rows] == [
        ("exams", "5", "5"), ("all other words together", "masked", "masked")
    ]  # fmt: skip
    for patient in people[8:10]:
        decided(patient, "=moved house")
    rows = [row for row in lines_of(nurse_client, "/review/reasons/") if row["what"].startswith("Suggestions")]
    assert (rows[1]["how_often"], rows[1]["people"], rows[1]["of"]) == ("5", "5", "10")
    assert not any(patient.patient_ref in str(rows) for patient in people)


def test_gaps_in_the_records_as_a_file_mask_what_is_of_few(site, nurse_client, frozen_day):
    people = [factories.make_patient(site=site) for _ in range(12)]
    for number, patient in enumerate(people):
        after = {"hbs_after_pct": None} if number < 6 else {}
        before = {"hb_before_g_l": None} if number < 2 else {}
        factories.make_exchange_session(patient, on=TODAY - timedelta(days=4), **after, **before)
    rebuild_facts([patient.pk for patient in people], NOW)
    rows = {row["what"]: row for row in lines_of(nurse_client, "/review/data/")}
    found = rows["Sessions without HbS after"]
    assert (found["count"], found["of"], found["pct"]) == ("6", "12", "50.0")
    found = rows["Sessions without Hb before"]
    assert (found["count"], found["of"], found["pct"], found["low_95"]) == ("masked", "masked", "masked", "")


# Monitoring


def test_each_check_is_counted_over_everybody_who_is_to_have_it(site, nurse):
    """Ferritin every 91 days; the interval of the share is that of statsmodels, method wilson."""
    people = [factories.make_patient(site=site, birth_date=TODAY - timedelta(days=40 * 365)) for _ in range(3)]
    child = factories.make_child(site=site, birth_date=TODAY - timedelta(days=10 * 365), genotype="SS")
    for patient, ago in zip(people, (20, 120, 191), strict=True):
        factories.make_result(patient, analyte=Analyte.FERRITIN, value=900.0, on=TODAY - timedelta(days=ago))
    factories.make_check_done(child, by=nurse, check_name="eyes", on=TODAY - timedelta(days=400))
    left = factories.make_patient(site=site, standing="left", standing_since=TODAY, left_because="moved")
    found = checks(site)
    rows = {row.words: row for row in found.rows}
    ferritin = rows["ferritin"]
    assert (ferritin.asked, ferritin.in_time, len(ferritin.overdue), len(ferritin.unrecorded)) == (4, 1, 2, 1)
    assert [(who.patient_ref, who.words) for who in ferritin.overdue] == [
        (people[2].patient_ref, "100 days over"), (people[1].patient_ref, "29 days over"),
    ]  # fmt: skip
    assert refs(ferritin.unrecorded) == [child.patient_ref]
    limits = proportion_confint(1, 4, method="wilson")
    assert (ferritin.low, ferritin.high) == pytest.approx((100 * limits[0], 100 * limits[1]))
    assert (rows["transcranial Doppler"].asked, rows["eyes"].asked) == (1, 4)
    assert [(who.patient_ref, who.words) for who in found.longest] == [
        (people[2].patient_ref, "ferritin 100 days"), (child.patient_ref, "eyes 35 days"),
        (people[1].patient_ref, "ferritin 29 days"),
    ]  # fmt: skip
    assert left.patient_ref not in refs(found.longest)
    assert found.n_people == 4


def test_a_check_the_site_does_not_ask_for_is_not_counted(site, consultant):
    factories.make_patient(site=site)
    assert "heart iron" not in {row.words for row in checks(site).rows}  # 0 days by default
    factories.make_site_setting(site=site, name="check_eyes_days", value=0, by=consultant)
    assert "eyes" not in {row.words for row in checks(site).rows}


# Reasons


def test_the_same_words_are_counted_together_whatever_their_case():
    names = {1: Who("A-1", "One"), 2: Who("B-2", "Two")}
    said = [(1, "No  access."), (2, "no access"), (1, "NO ACCESS"), (2, "fever"), (9, "not here"), (2, " ")]
    assert [(row.words, row.count, [(who.name, who.count) for who in row.people]) for row in grouped(said, names)] == [
        ("No access", 3, [("One", 2), ("Two", 1)]), ("fever", 1, [("Two", 1)]), ("no reason given", 1, [("Two", 1)]),
    ]  # fmt: skip


def test_what_went_otherwise_is_told_with_its_reason(site, nurse, consultant):
    first, second = (factories.make_patient(site=site) for _ in range(2))
    day = TODAY - timedelta(days=9)
    for answer, reason in (("accepted", "as said"), ("overridden", "Exams in June"), ("overridden", "exams in june.")):
        factories.make_goals(first, since=day, answers=answer, reason=reason)
    done = factories.make_exchange_session(second, on=day)
    factories.make_exchange_session(second, on=day + timedelta(days=1), state=State.CANCELLED, ended_reason="no access")
    factories.make_exchange_session(second, on=TODAY, state=State.ABANDONED, ended_reason="line blocked")
    factories.make_adverse_event(done, by=nurse, severity=2)
    factories.make_adverse_event(done, by=nurse, kind="vasovagal")
    broken = [{"name": "rise", "words": "Rise of Hb in the day: 46, allowed is 40 g/L", "reason": "agreed"}]
    factories.make_prescription(done, signed_by=consultant, broken=broken)
    chair = factories.make_chair(site)
    for state, fields in (("came", {}), ("missed", {"ended_reason": "ill"}),
                          ("cancelled", {"ended_by": "person", "ended_reason": "travel"}),
                          ("moved", {"ended_by": "unit", "ended_reason": "chair shut"})):  # fmt: skip
        factories.make_booking(first, chair, on=day, state=state, **fields)
    found = told(site)
    overridden = found["Suggestions overridden when deciding"]
    assert (overridden.count, overridden.of, overridden.rows[0].words) == (2, 3, "Exams in June")
    assert refs(overridden.rows[0].people) == [first.patient_ref]
    passed = found["Limits passed by a signature"]
    assert (passed.count, passed.of, passed.rows[0].words) == (1, 1, "Rise of Hb in the day: agreed")
    assert {row.words for row in found["Reactions"].rows} == {
        "febrile, not haemolytic; grade 2, severe", "faint (vasovagal); not graded",
    }  # fmt: skip
    assert found["Reactions"].of == 1
    assert found["Sessions cancelled"].rows[0].words == "no access"
    assert (found["Sessions given up after they began"].rows[0].words, found["Sessions cancelled"].of) == (
        "line blocked",
        3,
    )
    assert (found["Did not come"].count, found["Did not come"].of) == (1, 3)
    assert found["Bookings cancelled by the person"].rows[0].words == "travel"
    assert found["Bookings cancelled by the unit"].count == 0
    before = Asked(YEAR.start, day - timedelta(days=1))
    assert all(one.count == 0 and one.of == 0 for one in reasons(site, before))


# Quality of the data


def test_each_gap_is_counted_with_the_people_behind_it(site):
    whole, holes = (factories.make_patient(site=site) for _ in range(2))
    for back in (60, 32, 4):
        factories.make_exchange_session(whole, on=TODAY - timedelta(days=back))
    factories.make_exchange_session(holes, on=TODAY - timedelta(days=40), hbs_before_pct=None, units=None)
    factories.make_exchange_session(holes, on=TODAY - timedelta(days=12), hbs_after_pct=None, blood_out_ml=None)
    factories.make_exchange_session(holes, on=TODAY - timedelta(days=2), hbs_after_pct=None, hb_before_g_l=None)
    factories.make_result(holes, analyte=Analyte.HBS, value=31.0, on=TODAY - timedelta(days=20))
    factories.make_result(whole, analyte=Analyte.HBS, value=3.0, on=TODAY - timedelta(days=1), held_reason="too low")
    rebuild_facts([whole.pk, holes.pk], NOW)
    found = lacks(site)
    counts = {words: (one.count, one.of, refs(one.people)) for words, one in found.items()}
    own = [holes.patient_ref]
    assert counts["Sessions without HbS before"] == (1, 6, own)
    assert counts["Sessions without HbS after"] == (2, 6, own)
    assert counts["Sessions without Hb before"] == (1, 6, own)
    assert counts["Sessions without Hb after"] == (0, 6, [])
    assert counts["Sessions without a volume"] == (1, 6, own)
    assert counts["Sessions without units"] == (1, 6, own)
    assert counts["Results of HbS or Hb without a session"] == (1, 21, own)
    assert counts["Results held back"] == (1, 22, [whole.patient_ref])
    assert found["Sessions without HbS after"].people[0].count == 2
    assert found["Sessions without HbS after"].why_not == "fewer than 5 people"


def test_weights_hold_shorter_in_children(site):
    """92 days, 35 under 18 years or 40 kg: the site's own limits, common practice."""
    adult = factories.make_patient(site=site, birth_date=TODAY - timedelta(days=40 * 365))
    child = factories.make_child(site=site, birth_date=TODAY - timedelta(days=10 * 365))
    for patient in (adult, child):
        patient.measures.all().delete()
        factories.make_measure(patient, on=TODAY - timedelta(days=60), weight_kg=52.0)
    assert refs(lacks(site)["Weights too old today"].people) == [child.patient_ref]


# The pages


@pytest.mark.parametrize("rows", [1, 3])
def test_queries_stay_the_same_with_more_people(rows, site, django_assert_num_queries):
    settings = site_settings(site, NOW)
    for _ in range(rows):
        patient = factories.make_patient(site=site)
        factories.make_course(patient, last_on=TODAY - timedelta(days=5), sessions=3)
        rebuild_facts([patient.pk], NOW)
    with django_assert_num_queries(4):
        assert monitoring(site, TODAY, settings).n_people == rows
    with django_assert_num_queries(6):
        assert told(site)["Sessions cancelled"].of == 3 * rows
    with django_assert_num_queries(9):
        assert data_quality(site, YEAR, TODAY, settings)[0].of == 3 * rows


def test_people_of_another_site_stand_behind_nothing(site, elsewhere_client, frozen_day):
    patient = factories.make_patient(site=site)
    factories.make_exchange_session(patient, on=TODAY - timedelta(days=4), hbs_after_pct=None)
    rebuild_facts([patient.pk], NOW)
    for page in PAGES:
        assert patient.patient_ref not in elsewhere_client.get(page).content.decode()


def test_a_span_that_cannot_be_shown_says_why(nurse_client, frozen_day):
    for page in PAGES[1:]:
        answer = nurse_client.get(f"{page}?start=2026-05-01&end=2026-04-01")
        assert (answer.status_code, "cannot lie after the last day" in answer.content.decode()) == (400, True)


def test_the_pages_have_no_fault_and_fit(page_as, live_server, nurse, site, consultant):
    patient = factories.make_patient(site=site)
    factories.make_exchange_session(patient, on=TODAY - timedelta(days=4), hbs_after_pct=None)
    factories.make_goals(patient, since=TODAY - timedelta(days=9), answers="overridden", reason="exams")
    factories.make_result(patient, analyte=Analyte.FERRITIN, value=900.0, on=TODAY - timedelta(days=300))
    rebuild_facts([patient.pk], NOW)
    page = page_as(nurse)
    for address in PAGES:
        page.goto(f"{live_server.url}{address}?start={YEAR.start}&end={YEAR.end}")
        assert page.locator(f"a[href='/people/{patient.patient_ref}/']").count() >= 1
        assert faults_of(page) == []
        assert [pixels_beyond_the_window(page, width) for width in WIDTHS] == [0, 0, 0]
