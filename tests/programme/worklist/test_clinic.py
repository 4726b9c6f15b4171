"""The consultant's part of the course: what a year was, checks, a decision and its effect, notes, papers."""

import subprocess
from dataclasses import asdict
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse
from django.utils.html import strip_tags

from patients import clinic
from patients.goals import figures_of
from patients.models import CheckDone, CourseNote, Goals, LabResult
from patients.queries import checks_due, last_done
from programme.core import trail
from programme.core.models import TrailEntry
from programme.planning import services as planning
from programme.planning.models import Suggestion
from programme.planning.numeric.people import WhatIf
from programme.planning.queries import what_if, year_foreseen
from programme.worklist.numeric.spans import Difference, Line
from programme.worklist.queries.checks import overdue_words
from programme.worklist.queries.clinic import read_clinic
from programme.worklist.queries.compare import difference_words
from programme.worklist.queries.course import read_course
from programme.worklist.queries.everyone import everyone
from tests.factories import (
    NOW,
    TODAY,
    make_adverse_event,
    make_antibody,
    make_booking,
    make_chair,
    make_course,
    make_course_note,
    make_facts,
    make_fit_in_force,
    make_forecast,
    make_goals,
    make_patient,
    make_result,
    make_site_setting,
    make_standing,
    make_user,
)
from tests.forms import opened

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
WOBBLE = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)


@pytest.fixture
def person(site):
    patient = make_patient("R001", site=site, family_name="Larkspur", genotype="SS")
    make_antibody(patient, "anti-E", found_year=2014)
    for k, done in enumerate(make_course(patient, sessions=9)):
        make_facts(done, hbs_before_pct=28.0 + 4 * (k == 8), hbs_after_pct=13.5, hb_before_g_l=92, hb_after_g_l=104,
                   net_iron_mg=150.0, share_of_ideal=0.94, share_of_ideal_sd=0.1, points_per_unit=3.6)  # fmt: skip
    make_standing(patient, make_fit_in_force(site))
    return patient


def clinic_of(patient):
    return read_clinic(patient, read_course(patient, NOW), NOW)


def facts_of(patient):
    return {fact.what: (fact.figure, fact.words) for fact in clinic_of(patient).facts}


def address(name, *args):
    return reverse(f"worklist:{name}", args=["R001", *args])


# A year in nine lines


def test_a_year_is_told_from_sessions_results_bookings_and_reactions(person, nurse):
    chair = make_chair(person.site)
    make_booking(person, chair, on=TODAY - timedelta(days=60), state="came", latest_safe=TODAY)
    make_booking(person, chair, on=TODAY - timedelta(days=40), state="missed")
    make_booking(person, chair, on=TODAY - timedelta(days=20), state="came", latest_safe=TODAY - timedelta(days=22),
                 late_reason="travel")  # fmt: skip
    make_result(person, analyte="2276-4", value=1240, on=TODAY - timedelta(days=30))
    make_result(person, analyte="own:lic", value=6.4, on=TODAY - timedelta(days=200))
    make_adverse_event(person.exchange_sessions.order_by("on").last(), by=nurse, severity=1)
    facts = facts_of(person)
    assert facts["Before a session, HbS"] == ("28 to 32 %", "over the ceiling at 1 of 9")
    assert facts["Efficiency"] == ("94 % of ideal", "3.6 points a unit")
    assert facts["Hb before, after"] == ("92, 104 g/L", "mean; ceiling 110")
    assert facts["Attendance"][0] == "2 of 3"
    assert facts["Attendance"][1].startswith("late 1; did not come ")
    assert "ferritin 1,240 µg/L" in facts["Net iron in 12 months"][1]
    assert "liver iron 6.4 mg/g" in facts["Net iron in 12 months"][1]
    assert facts["Net iron in 12 months"][0] == f"{9 * 150 / 60:.0f} mg/kg"
    assert facts["Antibodies ever found"][0] == "anti-E 2014"
    assert facts["Reactions in 12 months"][0] == "1"
    (year,) = clinic_of(person).years
    assert (year.sessions, year.over, year.ferritin, year.liver_iron, year.came) == (
        9,
        "1 of 9",
        "1,240",
        "6.4",
        "1 / 1 / 1",
    )


def test_a_sum_with_a_part_missing_is_not_given(person):
    row = person.exchange_sessions.order_by("on").last().facts
    row.net_iron_mg = None
    row.save()
    assert facts_of(person)["Net iron in 12 months"][0] == "cannot say"


def test_what_was_noted_around_a_change_of_pace_is_named_beside_it(person):
    flag = {"on": (TODAY - timedelta(days=60)).isoformat(), "before": 0.42, "now": 0.61, "low": "", "high": ""}
    person.forecast.flag = flag
    person.forecast.save()
    assert "nothing is noted around it" in facts_of(person)["Pace of return"][1]
    nurse = make_user(site=person.site)
    clinic.add_note(patient=person, on=TODAY - timedelta(days=70), words="drug stopped", actor=nurse, at=NOW)
    clinic.add_note(patient=person, on=TODAY - timedelta(days=300), words="moved house", actor=nurse, at=NOW)
    words = facts_of(person)["Pace of return"][1]
    assert "drug stopped" in words
    assert "moved house" not in words


# Checks


def test_a_check_counts_from_the_newest_of_results_and_rows(person):
    nurse = make_user(site=person.site)
    make_result(person, analyte="2276-4", value=800, on=TODAY - timedelta(days=100))
    clinic.record_check(patient=person, check_name="eyes", on=TODAY - timedelta(days=10), words="", actor=nurse, at=NOW)
    lines = {line.words: line for line in clinic_of(person).checks}
    assert lines["ferritin"].overdue
    assert lines["ferritin"].next.startswith("was due ")
    assert (lines["eyes"].overdue, lines["eyes"].last.split(",")[1].strip()) == (False, nurse.full_name)
    assert (lines["echocardiogram"].last, lines["echocardiogram"].overdue) == ("no record", False)
    assert "Canadian thalassaemia consensus" in lines["ferritin"].ground
    assert "heart iron" not in lines


def test_liver_and_kidney_tests_are_done_when_both_are_measured(person):
    make_result(person, analyte="1742-6", value=30, on=TODAY - timedelta(days=20))
    assert last_done(person.site, TODAY).get(person.pk, {}).get("liver_kidney") is None
    make_result(person, analyte="14682-9", value=60, on=TODAY - timedelta(days=50))
    assert last_done(person.site, TODAY)[person.pk]["liver_kidney"] == TODAY - timedelta(days=50)
    make_result(person, analyte="14682-9", value=62, on=TODAY - timedelta(days=5))
    assert last_done(person.site, TODAY)[person.pk]["liver_kidney"] == TODAY - timedelta(days=20)


def test_a_site_asks_as_often_as_it_decided(person):
    make_result(person, analyte="2276-4", value=800, on=TODAY - timedelta(days=100))
    make_site_setting(site=person.site, name="check_ferritin_days", value=120)
    assert "ferritin" not in clinic_of(person).overdue


def test_an_overdue_check_is_a_calm_word_in_the_list(person):
    make_result(person, analyte="2276-4", value=800, on=TODAY - timedelta(days=112))
    due = checks_due(30.0, "SS", {f"check_{n}_days": 91 for n in (
        "ferritin", "liver_iron", "heart_iron", "antibody_screen", "antibodies_elsewhere", "liver_kidney", "virology",
            "eyes", "echo", "doppler",
    )}, last_done(person.site, TODAY)[person.pk])  # fmt: skip
    assert overdue_words(due, TODAY) == "check due: ferritin, 21 days over"
    (row,) = [row for band in everyone(person.site, NOW).bands for row in band.rows]
    assert "check due: ferritin" in " ".join((row.need.sentence, *row.need.also)).lower()


def test_a_value_is_kept_as_a_result_and_other_checks_as_done(nurse_client, person):
    sent = {"check_name": "liver_iron", "on": "1 Jun 2026", "value": "6.4", "words": "MRI", "receipt": "k1"}
    assert nurse_client.post(address("record_check"), sent).status_code == 302
    result = LabResult.objects.get(analyte="own:lic")
    assert (result.value, result.unit, result.taken_on, result.method) == (6.4, "mg/g", TODAY, "MRI")
    refused = nurse_client.post(address("record_check"), sent | {"check_name": "eyes", "receipt": "k2"})
    assert "This check has no value here" in refused.content.decode()
    sent = {"check_name": "eyes", "on": "1 Jun 2026", "words": "no change", "receipt": "k3"}
    assert nurse_client.post(address("record_check"), sent).status_code == 302
    assert nurse_client.post(address("record_check"), sent).status_code == 302
    assert CheckDone.objects.count() == 1


# Deciding

DECISION = {
    "hbs_ceiling_pct": "30", "accepted_chance": "10", "usual_interval_days": "21", "end_target_hbs_pct": "12",
    "method": "", "review_on": "1 Sep 2026", "reason": "pace up", "receipt": "d1",
}  # fmt: skip


@pytest.fixture
def planned(site):
    """A person planned by the programme itself, beside some others."""
    for n in range(5):
        patient = make_patient(f"R00{n}", site=site)
        for k, done in enumerate(make_course(patient, sessions=9)):
            make_facts(
                done, hbs_before_pct=28.0 + WOBBLE[(k + n) % 8], hbs_after_pct=13.5 + WOBBLE[(k + 3 * n) % 8] / 2,
                hb_before_g_l=92 + 2 * WOBBLE[(k + 5 * n) % 8], hb_after_g_l=103 + 2 * WOBBLE[(k + 2 * n) % 8],
            )  # fmt: skip
    planning.renew(list(site.patients.values_list("pk", flat=True)), NOW)
    return site.patients.get(patient_ref="R001")


def test_nothing_is_saved_before_the_effect_was_seen(consultant_client, consultant, planned):
    page = consultant_client.post(address("decide"), DECISION)
    effect = page.context["page"].extra["effect"]
    text = " ".join(strip_tags(page.content.decode()).split())
    assert "Visits a year" in text
    assert "Over the ceiling, a visit" in text
    assert Goals.objects.filter(patient=planned).count() == 1
    answer = consultant_client.post(address("decide"), DECISION | {"seen": effect.token})
    assert answer.status_code == 302
    old, new = Goals.objects.filter(patient=planned).order_by("pk")
    assert (old.usual_interval_days, old.end_target_hbs_pct) == (None, None)
    assert (new.usual_interval_days, new.end_target_hbs_pct, new.review_on) == (21, 12.0, date(2026, 9, 1))
    assert (new.reason, new.decided_by, new.since) == ("pace up", consultant, TODAY)
    assert new.foreseen == effect.foreseen
    before = planned.data_version
    planned.refresh_from_db()
    assert planned.data_version == before + 1
    assert read_course(planned, NOW).stale
    entries = TrailEntry.objects.filter(patient_key=planned.pk).order_by("number")
    assert entries.last().action == "set goals"
    assert trail.faults(entries) == []


def test_other_figures_or_newer_records_are_shown_again_before_they_are_saved(consultant_client, planned):
    seen = consultant_client.post(address("decide"), DECISION).context["page"].extra["effect"].token
    changed = consultant_client.post(address("decide"), DECISION | {"seen": seen, "end_target_hbs_pct": "14"})
    assert changed.status_code == 200
    planned.data_version += 1
    planned.save()
    assert consultant_client.post(address("decide"), DECISION | {"seen": seen}).status_code == 200
    assert Goals.objects.filter(patient=planned).count() == 1


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("reason", "", "Why is needed"),
        ("review_on", "", "is needed"),
        ("review_on", "1 May 2026", "must lie ahead"),
        ("end_target_hbs_pct", "31", "must lie under the ceiling"),
        ("usual_interval_days", "70", "allow 14 to 56 days"),
    ],
)
def test_a_decision_that_cannot_stand_says_why(consultant_client, planned, field, value, words):
    page = consultant_client.post(address("decide"), DECISION | {field: value})
    assert words in page.content.decode()
    assert "effect" not in page.context["page"].extra


def test_deciding_otherwise_than_suggested_is_kept_as_such(consultant_client, planned):
    choices = Suggestion.objects.get(patient=planned).options["choices"]
    choice = next(row for row in choices if row["suggested"])
    for n, (days, end, expected) in enumerate([
        (choice["interval_days"], choice["end_target_pct"], "accepted"),
        (21 if choice["interval_days"] != 21 else 28, choice["end_target_pct"], "overridden"),
    ]):  # fmt: skip
        sent = DECISION | {"usual_interval_days": str(days), "end_target_hbs_pct": f"{end:.1f}", "receipt": f"r{n}"}
        token = consultant_client.post(address("decide"), sent).context["page"].extra["effect"].token
        assert consultant_client.post(address("decide"), sent | {"seen": token}).status_code == 302
        newest = Goals.objects.filter(patient=planned).latest("pk")
        assert (newest.answers, newest.reason) == (expected, "pace up")


def under(person, **changes):
    """The year foreseen under the person's goals, some of them changed."""
    kept = figures_of(Goals.objects.get(patient=person))
    return year_foreseen(person, as_of=TODAY, goals=Goals(patient=person, since=TODAY, **asdict(kept) | changes))


def test_the_year_foreseen_is_that_of_the_what_if(planned):
    """Independent way: the suggested choice, lived forward for the page, has the same visits, units and chance."""
    said = under(planned)
    _, options = what_if(planned, as_of=TODAY, asked=WhatIf())
    choice = next(row for row in options["choices"] if row["suggested"])
    assert said["interval_days"] == choice["interval_days"]
    assert said["visits"] == pytest.approx(choice["visits_year"], rel=0.1)
    assert said["over_visit"] == pytest.approx(choice["over_visit"], abs=0.05)
    sooner = under(planned, usual_interval_days=14)
    assert sooner["visits"] > said["visits"]
    assert sooner["over_visit"] <= said["over_visit"]


def test_every_goal_that_a_session_keeps_counts_in_the_year_foreseen(planned):
    as_it_is = under(planned)
    assert under(planned, units_most=2)["units"] <= 2 < as_it_is["units"]
    assert under(planned, longest_interval_days=20)["interval_days"] <= 20 < as_it_is["interval_days"]
    assert under(planned, greatest_rise_g_l=5)["end_target_pct"] > as_it_is["end_target_pct"]


def test_an_interval_that_is_taken_away_no_longer_counts(planned):
    Goals.objects.filter(patient=planned).update(usual_interval_days=14)
    assert (under(planned)["interval_days"], under(planned, usual_interval_days=None)["interval_days"]) == (14, 28)


def test_all_goals_show_what_they_would_do_before_they_are_saved(consultant_client, planned):
    sent = opened(consultant_client, address("change_goals")) | {"units_most": "2", "reason": "few units"}
    looked = consultant_client.post(address("change_goals"), sent)
    effect = looked.context["page"].extra["effect"]
    units = next(row for row in effect.rows if row.name == "units a visit")
    assert float(units.then) <= 2 < float(units.now)
    assert Goals.objects.filter(patient=planned).count() == 1
    other = consultant_client.post(address("change_goals"), sent | {"seen": effect.token, "units_most": "3"})
    assert other.status_code == 200, "other figures are shown first"
    assert consultant_client.post(address("change_goals"), sent | {"seen": effect.token}).status_code == 302
    newest = Goals.objects.filter(patient=planned).latest("pk")
    assert (newest.units_most, newest.foreseen) == (2, effect.foreseen)


def test_a_decision_is_the_consultants(nurse_client, person):
    assert nurse_client.get(address("decide")).status_code == 403
    assert nurse_client.get(address("change_standing")).status_code == 403


def test_goals_overdue_for_review_are_said_on_the_course_and_in_the_list(nurse_client, person):
    make_goals(person, since=date(2026, 1, 2), review_on=TODAY - timedelta(days=1))
    read = clinic_of(person)
    assert (read.review, read.review_is_overdue) == ("Review of the goals was due Sun 31 May.", True)
    assert "Review of the goals was due" in nurse_client.get(address("course")).content.decode()
    (row,) = [row for band in everyone(person.site, NOW).bands for row in band.rows]
    assert "review" in " ".join((row.need.sentence, *row.need.also)).lower()


@pytest.mark.parametrize(
    ("days", "words"), [(-1, "Paused: abroad; review was due 31 May."), (1, "Paused: abroad; look at it again 2 Jun.")]
)
def test_a_pause_that_nobody_looked_at_again_is_said_in_the_list(person, days, words):
    person.standing, person.standing_reason = "paused", "abroad"
    person.standing_review_on = TODAY + timedelta(days=days)
    person.save()
    (row,) = [row for band in everyone(person.site, NOW).bands for row in band.rows]
    assert row.need.sentence == words


# Notes


def test_a_note_is_a_letter_until_it_is_withdrawn_and_stays_to_be_read(nurse_client, person):
    sent = {"on": "4 May 2026", "words": "hydroxycarbamide stopped", "receipt": "n1"}
    assert nurse_client.post(address("add_note"), sent).status_code == 302
    note = CourseNote.objects.get()
    assert (note.role, note.by.role) == ("nurse", "nurse")
    assert any("hydroxycarbamide stopped" in words for _, words in read_course(person, NOW).details.notes)
    where = address("withdraw_note", note.pk)
    assert "Why is needed" in nurse_client.post(where, {"receipt": "n2"}).content.decode()
    assert nurse_client.post(where, {"why": "another person", "receipt": "n3"}).status_code == 302
    assert not any("hydroxycarbamide" in words for _, words in read_course(person, NOW).details.notes)
    assert "another person" in clinic_of(person).notes[0].withdrawn
    actions = TrailEntry.objects.filter(patient_key=person.pk).order_by("number").values_list("action", flat=True)
    assert list(actions)[-2:] == ["note on the course", "withdraw note"]
    with pytest.raises(ValidationError, match="withdrawn before"):
        clinic.withdraw_note(patient=person, key=note.pk, reason="again", actor=note.by, at=NOW)


def test_rows_of_another_person_are_unknown(nurse_client, nurse, person):
    other = make_patient("R009", site=person.site)
    note = clinic.add_note(patient=other, on=TODAY, words="x", actor=nurse, at=NOW)
    assert nurse_client.get(address("withdraw_note", note.pk)).status_code == 404


# Two spans


def test_a_difference_is_said_with_how_sure_it_is():
    line = Line("pace", "points a day", 2, Difference(0.42, 0.52, 0.03, 0.17))
    assert difference_words(line) == "0.10 higher (95 in 100: 0.03 to 0.17)"
    vague = Line("Hb before", "g/L", 0, Difference(94.0, 92.0, -6.0, 2.0))
    assert difference_words(vague) == "2 lower (95 in 100: −6 to 2), which may be chance"
    assert difference_words(Line("units a year", "units", 0, Difference(60, 64), counted=True)).startswith("4 higher;")
    assert "cannot say" in difference_words(Line("HbS before", "%", 1, Difference(None, 28.0)))


def test_two_spans_stand_side_by_side(nurse_client, person):
    asked = {
        "first_from": "1 Oct 2025",
        "first_to": "1 Feb 2026",
        "second_from": "2 Feb 2026",
        "second_to": "1 Jun 2026",
    }
    page = nurse_client.get(address("compare"), asked).context["page"]
    assert sum(page.sessions) == person.exchange_sessions.filter(on__gte=date(2025, 10, 1)).count()
    assert {line.name for line in page.lines} >= {"HbS before", "over the ceiling", "units a year", "pace"}
    wrong = nurse_client.get(address("compare"), asked | {"first_to": "1 Sep 2025"})
    assert "cannot end before it begins" in wrong.content.decode()


# Papers


def text_of(response):
    """Return how many pages a paper has, and its words."""
    assert response.status_code == 200
    done = subprocess.run(["pdftotext", "-", "-"], input=response.content, capture_output=True, check=True)
    text = done.stdout.decode()
    return text.count("\f"), " ".join(text.split())


@pytest.mark.parametrize(
    ("query", "head"), [("", "Summary for the notes"), ("?for=doctor", "Summary for the family doctor")]
)
def test_the_summary_is_one_page_and_stands_by_itself(nurse_client, nurse, person, query, head):
    make_goals(person, since=date(2026, 2, 2), reason="scan", decided_by_name="Dr Calloway")
    for n in range(6):
        clinic.add_note(patient=person, on=TODAY - timedelta(days=30 * n), words="a note " * 30, actor=nurse, at=NOW)
    pages, text = text_of(nurse_client.get(address("summary_pdf") + query))
    assert pages == 1
    person.refresh_from_db()
    for words in (
        head, "Larkspur", "born", "anti-E", "Twelve months", "over the ceiling", "Decided", "scan", "CAUTION",
        "Local policy applies", "Printed copies go out of date", f"data version {person.data_version}",
        "call the unit the same day", nurse.full_name,
    ):  # fmt: skip
        assert words in text, words


def test_a_stale_summary_says_so(nurse_client, person):
    make_result(person, value=24.0, on=TODAY)
    person.data_version += 1
    person.save()
    assert "Stale" in text_of(nurse_client.get(address("summary_pdf")))[1]


def test_the_persons_own_page_has_plain_words_by_the_site_and_no_plan(nurse_client, person):
    make_booking(person, make_chair(person.site), on=date(2026, 6, 8))
    pages, text = text_of(nurse_client.get(address("own_summary_pdf")))
    assert pages == 1
    assert "Your next day: Monday 8 June 2026" in text
    assert "HbS is the part of your blood that sickles." in text
    assert "ask your team before you change anything" in text
    for reckoned in ("chance", "units a", "mg/kg"):
        assert reckoned not in text


def test_a_locked_persons_papers_bar_red_cells_and_give_no_next_day(nurse_client, person):
    person.forecast.delete()
    locked = {"reason": "dark urine", "rows": [], "until": "2026-06-12"}
    make_forecast(person, locked=locked)
    _, text = text_of(nurse_client.get(address("summary_pdf")))
    assert "No red cells until a haematologist has decided" in text
    _, own = text_of(nurse_client.get(address("own_summary_pdf")))
    assert "your next exchange is not planned" in own
    assert "Your next day" not in own


@pytest.mark.parametrize("name", ["compare", "summary_pdf", "decide"])
def test_pages_ask_as_many_queries_for_three_sessions_as_for_one(
    consultant_client, consultant, site, name, django_assert_max_num_queries
):
    patient = make_patient("R001", site=site)
    first, *others = make_course(patient, sessions=3)
    make_facts(first)
    make_standing(patient, make_fit_in_force(site))
    consultant_client.get(address(name))  # the first look is written down; the next ones are not
    with django_assert_max_num_queries(40) as once:
        consultant_client.get(address(name))
    for done in others:
        make_facts(done)
        make_course_note(patient, by=consultant, on=done.on)
    with django_assert_max_num_queries(40) as thrice:
        consultant_client.get(address(name))
    assert len(once) == len(thrice)
