"""The review of the programme: figures counted by hand, spans, people behind, masking, files and access."""

import subprocess
from datetime import date, timedelta

import pytest

from patients.models import Analyte
from programme.core.models import SiteSetting
from programme.review import tables
from programme.review.queries.asked import Asked
from programme.review.queries.programme import people_behind, review
from programme.review.tables import HEADER, hide, is_small, masked, people_words, review_csv
from sessions.facts import rebuild_facts
from sessions.models import ExchangeSession
from tests import factories
from tests.browsing import WIDTHS, faults_of, pixels_beyond_the_window, tables_cut
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ADDRESS = "/review/"
START = TODAY - timedelta(days=364)
YEAR = Asked(START, TODAY)


def make_people(site, how_many, *, pace=0.5, **fields):
    people = [factories.make_patient(site=site, **fields) for _ in range(how_many)]
    for patient in people:
        factories.make_course(patient, last_on=TODAY - timedelta(days=4), sessions=5, pace_pct_per_day=pace)
    rebuild_facts([patient.pk for patient in people], NOW)
    return people


def test_each_figure_can_be_counted_by_hand(site, nurse):
    over, under = make_people(site, 1, pace=0.5), make_people(site, 2, pace=0.4)
    for patient in (*over, *under):
        factories.make_goals(patient, usual_interval_days=28)
    session = over[0].exchange_sessions.first()
    factories.make_adverse_event(session, by=nurse)
    found = review(site, YEAR, NOW)
    held = found.everybody.row("under_sessions")
    assert (held.now.numerator, held.now.denominator) == (10, 15)  # 18 + 0.5 × 28 is over 30, 18 + 0.4 × 28 is not
    assert held.now.why_not == "fewer than 5 people"
    assert held.verdict == "cannot tell"
    assert found.everybody.row("units").now.numerator == 60
    assert found.everybody.row("units").now.denominator == pytest.approx(3 * 117 / 365.25)
    assert found.everybody.row("reactions").now.found == pytest.approx(100 / 15)
    assert (found.everybody.row("on_time").now.numerator, found.everybody.row("on_time").now.denominator) == (12, 12)
    behind = people_behind(site, "under_sessions", YEAR, NOW)[0]
    assert behind[0].patient_ref == over[0].patient_ref
    assert len(under) == 2


def test_what_nobody_decided_or_wrote_down_is_missing_and_no_success(site):
    """Without an interval nobody was on time; without saline no balance is level; and 30.04 is no more than 30."""
    (patient,) = make_people(site, 1)
    factories.make_goals(patient, hbs_ceiling_pct=30.0, usual_interval_days=None, longest_interval_days=56)
    ExchangeSession.objects.update(saline_in_ml=None)
    factories.change_facts({"hbs_before_pct": 30.04})
    rows = review(site, YEAR, NOW).everybody
    on_time, level = rows.row("on_time").now, rows.row("level").now
    assert (on_time.denominator, on_time.missing) == (0, 4)
    assert (level.denominator, level.missing) == (0, 5)
    assert rows.row("under_sessions").now.numerator == 5
    factories.change_facts({"hbs_before_pct": 30.06})
    assert review(site, YEAR, NOW).everybody.row("under_sessions").now.numerator == 0


def test_a_verdict_needs_the_whole_interval_above_the_own_aim(site):
    make_people(site, 3, pace=0.5)
    make_people(site, 5, pace=0.4)
    held = review(site, YEAR, NOW).everybody.row("under_sessions")
    assert held.now.found == pytest.approx(62.5)
    assert held.now.found < held.aim < held.now.high
    assert held.verdict == "cannot tell"


def test_own_aim_is_a_dated_setting(site, consultant):
    make_people(site, 6, pace=0.5)
    assert review(site, YEAR, NOW).everybody.row("under_sessions").verdict == "below"
    SiteSetting.objects.create(
        site=site, name="aim_under_sessions_pct", value=0, since=NOW, by=consultant, reason="no aim"
    )
    assert review(site, YEAR, NOW).everybody.row("under_sessions").verdict is None
    assert review(site, YEAR, NOW - timedelta(days=1)).everybody.row("under_sessions").verdict == "below"


def test_leaving_ends_the_days_and_is_told_with_its_reason(site):
    left_on = TODAY - timedelta(days=50)
    make_people(site, 1, standing="left", standing_since=left_on, left_because="transplant")
    found = review(site, YEAR, NOW)
    assert found.left == (("stem cell transplant", 1),)
    assert found.everybody.person_years == pytest.approx((117 - 50) / 365.25)
    assert found.everybody.row("ferritin").now.denominator == 0


def test_ferritin_is_asked_of_people_still_here(site):
    first, second = make_people(site, 2)
    factories.make_result(first, analyte=Analyte.FERRITIN, value=900.0, on=TODAY - timedelta(days=20))
    factories.make_result(second, analyte=Analyte.FERRITIN, value=900.0, on=TODAY - timedelta(days=120))
    row = review(site, YEAR, NOW).everybody.row("ferritin").now
    assert (row.numerator, row.denominator, row.missing) == (1, 2, 0)


def test_new_antibodies_are_those_found_here_in_the_year(site):
    (patient,) = make_people(site, 1)
    factories.make_antibody(patient, "anti-K", found_year=TODAY.year)
    factories.make_antibody(patient, "anti-E", found_year=TODAY.year, found_elsewhere=True)
    factories.make_antibody(patient, "anti-C", found_year=TODAY.year - 2)
    row = review(site, YEAR, NOW).everybody.row("antibodies").now
    assert (row.numerator, row.denominator) == (1, 20)


def test_decisions_count_what_they_did_with_the_suggestion(site):
    (patient,) = make_people(site, 1)
    for answer in ("accepted", "accepted", "overridden", ""):
        factories.make_goals(patient, since=TODAY - timedelta(days=9), answers=answer, reason="seen in clinic")
    row = review(site, YEAR, NOW).everybody.row("accepted").now
    assert (row.numerator, row.denominator, row.missing) == (2, 3, 1)


@pytest.mark.parametrize(
    ("numerator", "denominator", "is_share", "small"),
    [(4, 50, True, True), (47, 50, True, True), (5, 50, True, False), (0, 50, True, False), (50, 50, True, False),
     (1, 1193, False, True), (0, 1193, False, False)],
)  # fmt: skip
def test_small_counts_and_their_rests_are_masked(numerator, denominator, is_share, small):
    assert is_small(numerator, denominator, is_share=is_share, smallest=5) is small


def test_no_small_count_leaves_the_unit(site, nurse, nurse_client, frozen_day):
    people = make_people(site, 3, pace=0.5)
    factories.make_adverse_event(people[0].exchange_sessions.first(), by=nurse)
    text = review_csv(review(site, YEAR, NOW))
    line = next(line for line in text.splitlines() if "Reactions" in line)
    assert line == 'everybody,"Reactions noted, per 100 sessions",masked,masked,0,masked,,,,exact' + 10 * ","
    sent = nurse_client.get(f"{ADDRESS}csv/")
    assert sent["Content-Type"].startswith("text/csv")
    assert sent.content.decode().splitlines()[0] == ",".join(HEADER)
    assert all(patient.patient_ref not in sent.content.decode() for patient in people)


def test_the_paper_is_two_pages(site, nurse_client, frozen_day):
    make_people(site, 1)
    first, second, rest = paper_of(nurse_client).split("\f")
    assert "HbS within own ceiling, by days" in first
    assert "What each figure counts" in second
    assert rest == ""


def test_a_span_that_cannot_be_shown_says_why(site, nurse_client, frozen_day):
    for asked, words in (
        ("start=2026-05-01&end=2026-04-01", "cannot lie after the last day"),
        (f"end={TODAY + timedelta(days=1)}", "cannot lie after today"),
        ("start=2001-01-01", "At most ten years"),
    ):
        page = nurse_client.get(f"{ADDRESS}?{asked}")
        assert page.status_code == 400
        assert words in page.content.decode()


def test_figures_lead_to_the_people_behind_them(site, nurse_client, coordinator_client, elsewhere_client, frozen_day):
    (patient,) = make_people(site, 1)
    for client in (nurse_client, coordinator_client):
        assert patient.patient_ref in client.get(f"{ADDRESS}people/under_sessions/").content.decode()
    assert patient.patient_ref not in elsewhere_client.get(f"{ADDRESS}people/under_sessions/").content.decode()
    assert nurse_client.get(f"{ADDRESS}people/nothing/").status_code == 404


def test_another_genotype_is_counted_apart(site):
    make_people(site, 2, genotype="SS")
    make_people(site, 1, genotype="SC")
    assert review(site, Asked(START, TODAY, "SS"), NOW).everybody.n_people == 2


def test_a_change_is_clear_only_where_its_interval_leaves_out_none(site):
    """Sessions before the year are within the ceiling, those of the year are not, in ten people and in four."""
    people = make_people(site, 10, pace=0.5)
    for patient in people:
        factories.make_course(patient, last_on=TODAY - timedelta(days=380), sessions=5, pace_pct_per_day=0.4)
    rebuild_facts([patient.pk for patient in people], NOW)
    held = review(site, YEAR, NOW).everybody.row("under_sessions")
    assert (held.now.found, held.before.found, held.change.value) == (pytest.approx(0), pytest.approx(100), -100)
    assert (held.before.numerator, held.before.denominator) == (50, 50)
    assert held.before.low == pytest.approx(72.2, abs=0.1)  # ten of ten people, score interval: 1 / (1 + 1.96² / 10)
    assert held.change.words == "clearly lower"
    few = review(site, Asked(START, TODAY, "SC"), NOW).everybody.row("under_sessions")
    assert few.change.words == "nothing counted"


def test_a_span_over_a_year_is_held_against_as_long_before():
    assert Asked(START, TODAY).shift == timedelta(days=365)
    longer = Asked(TODAY - timedelta(days=729), TODAY)
    assert (longer.shift, longer.before_words) == (timedelta(days=730), "as long before")
    assert TODAY - longer.shift < longer.start


def test_people_are_taken_apart_by_what_holds_on_the_last_day(site):
    child = make_people(site, 1, pace=0.4, birth_date=TODAY - timedelta(days=12 * 365))
    (adult,) = make_people(site, 1, pace=0.5, birth_date=TODAY - timedelta(days=40 * 365))
    (unknown,) = make_people(site, 1, birth_date=None)
    adult.exchange_sessions.update(method="automated")
    factories.make_goals(adult, since=TODAY - timedelta(days=3), hbs_ceiling_pct=50, reason="seen in clinic")
    found = review(site, Asked(START, TODAY, by="age"), NOW)
    assert [(part.name, part.n_people) for part in found.groups] == [
        ("under 18", 1), ("18 and over", 1), ("age not recorded", 1),
    ]  # fmt: skip
    assert [part.row("under_sessions").now.numerator for part in found.groups] == [5, 0, 0]
    assert sum(part.row("units").now.numerator for part in found.groups) == found.everybody.row("units").now.numerator
    by_ceiling = review(site, Asked(START, TODAY, by="ceiling"), NOW)
    assert [(part.key, part.n_people) for part in by_ceiling.groups] == [("to30", 2), ("from50", 1)]
    by_method = review(site, Asked(START, TODAY, by="method"), NOW)
    assert {part.name: part.n_people for part in by_method.groups}["automated"] == 1
    behind, name = people_behind(site, "under_sessions", Asked(START, TODAY, by="age"), NOW, group="under18")
    assert ([who.patient_ref for who in behind], name) == ([child[0].patient_ref], "under 18")
    assert unknown.patient_ref in [who.patient_ref for who in people_behind(site, "units", YEAR, NOW)[0]]


@pytest.mark.parametrize(("value", "text"), [(-0.04, "0.0"), (-0.06, "-0.1"), (0.0, "0.0"), (None, "")])
def test_a_nought_has_no_minus_in_files(value, text):
    assert tables._text(value, 1) == text


@pytest.mark.parametrize(
    ("small", "counts", "hidden"),
    [([True, False, False], [2, 90, 40], [True, False, True]), ([True, True, False], [2, 3, 90], [True, True, False]),
     ([False, False], [9, 90], [False, False]), ([True], [2], [True])],
)  # fmt: skip
def test_one_masked_group_is_not_told_by_the_rest(small, counts, hidden):
    """A law of tables with a total: a single masked cell is the total less the others, so a second one goes with it."""
    assert hide(small, counts) == hidden


def test_many_sessions_of_few_people_are_masked_too(site):
    """Four people with five sessions each: no count is small, yet everybody could be told from it; five are enough."""
    for patient in make_people(site, 4, pace=0.4):
        factories.make_goals(patient, usual_interval_days=28)
    rows = {row.name: row for row in masked(review(site, YEAR, NOW))}
    assert rows["On time"].counts == ("masked", "masked", "0")
    (fifth,) = make_people(site, 1, pace=0.4)
    factories.make_goals(fifth, usual_interval_days=28)
    rows = {row.name: row for row in masked(review(site, YEAR, NOW))}
    assert rows["On time"].counts == ("20", "20", "0")


def test_groups_leave_the_unit_masked(site, nurse_client, frozen_day):
    make_people(site, 2, birth_date=TODAY - timedelta(days=12 * 365))
    make_people(site, 6, birth_date=TODAY - timedelta(days=40 * 365))
    found = review(site, Asked(START, TODAY, by="age"), NOW)
    assert people_words(found) == [("under 18", "under 5"), ("18 and over", "masked")]
    rows = {(row.group, row.name): row for row in masked(found)}
    assert rows["under 18", "Units per person-year"].now == ("masked", "", "")
    assert rows["18 and over", "Units per person-year"].now == ("masked", "", "")
    page = nurse_client.get(f"{ADDRESS}?by=age").content.decode()
    assert "group=under18" in page
    assert "Under 18" in page
    text = nurse_client.get(f"{ADDRESS}csv/?by=age").content.decode()
    assert {line.split(",")[0] for line in text.splitlines()[1:]} == {"under 18", "18 and over"}
    assert "Under 18: under 5 people" in paper_of(nurse_client, "?by=age")


def paper_of(client, query=""):
    paper = client.get(f"{ADDRESS}pdf/{query}").content
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=paper, capture_output=True, check=True)
    return done.stdout.decode()


def test_an_empty_unit_has_a_review(site, nurse_client, frozen_day):
    assert "No session of this span" in nurse_client.get(ADDRESS).content.decode()


@pytest.mark.parametrize("by", ["", "method"])
@pytest.mark.parametrize("how_many", [1, 3])
def test_queries_stay_the_same_with_more_people(how_many, by, site, django_assert_num_queries):
    make_people(site, how_many)
    with django_assert_num_queries(7):
        assert review(site, Asked(date(2025, 1, 1), TODAY, by=by), NOW).everybody.n_people == how_many


def test_the_page_has_no_fault_and_fits(page_as, live_server, nurse, site):
    make_people(site, 2)
    page = page_as(nurse)
    for address in (ADDRESS, f"{ADDRESS}?by=age", f"{ADDRESS}people/units/"):
        page.goto(live_server.url + address)
        assert faults_of(page) == []
        assert [pixels_beyond_the_window(page, width) for width in WIDTHS] == [0, 0, 0]
    page.goto(live_server.url + ADDRESS)
    assert [tables_cut(page, width) for width in (1440, 1024)] == [[], []]  # own aim and verdict are the last columns
