"""The course: what it says, what it never says while the lock stands, and what may be asked of it."""

import json
import re
from datetime import date, datetime, timedelta

import pytest
from django.urls import reverse

from programme.core.models import TrailEntry
from programme.core.reading import SAW
from programme.planning import services
from programme.planning.models import Suggestion
from programme.planning.numeric.people import WhatIf
from programme.planning.queries import what_if
from programme.worklist.queries.course import read_course
from programme.worklist.queries.suggested import longest_for_end, suggested
from sessions.models import ExchangeSession, LockLift
from tests.factories import (
    NOW,
    TODAY,
    make_antibody,
    make_booking,
    make_chair,
    make_course,
    make_exchange_session,
    make_facts,
    make_fit_in_force,
    make_goals,
    make_haemolysis_sign,
    make_needs,
    make_other_transfusion,
    make_patient,
    make_prescription,
    make_result,
    make_standing,
    make_user,
    suggestion_body,
    suggestion_options,
)
from tests.looks import A_LOOK

pytestmark = [pytest.mark.django_db]
LOCKED = {
    "reason": "Possible haemolysis: a haematologist decides before any red cells.",
    "rows": [
        {"sign": "Dark urine, 9 days after red cells."},
        {"sign": "Hb on day 10", "expected": 92.0, "lowest": 77.0, "found": 69.0},
    ],
    "until": "2026-06-12",
}


@pytest.fixture
def fit(site):
    return make_fit_in_force(site)


def make_person(fit, ref="R001", *, sessions=3, **suggestion):
    patient = make_patient(ref, site=fit.site, family_name="Larkspur", with_goals=False)
    make_goals(patient, since=date(2026, 1, 5), hbs_ceiling_pct=35, reason="start", decided_by_name="Dr Calloway")
    make_goals(patient, since=date(2026, 3, 2), hbs_ceiling_pct=30, reason="narrowing", decided_by_name="Dr Calloway")
    for n, done in enumerate(make_course(patient, sessions=sessions)):
        make_facts(done, hbs_before_pct=34.8, method="A" if n == 0 else "B", share_of_ideal=0.94, net_iron_mg=160.0)
    make_standing(patient, fit, **suggestion)
    return patient


def page_of(client, ref="R001", status=200, **query):
    response = client.get(reverse("worklist:course", args=[ref]), query)
    assert response.status_code == status
    return re.sub(r"\s+", " ", response.content.decode())


def plain(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html.replace("</t", " </t"))).replace("&#8201;", " ")


# What is read


def test_the_drift_sentence_says_pace_range_day_and_chance(fit):
    """From the factory by hand: 18 + 0.6 × 28 = 34.8 on day 28, today; the stored chance of today is 0.01."""
    drift = read_course(make_person(fit), NOW).drift
    assert (drift.pace, drift.low, drift.high) == ("0.60", "0.45", "0.75")
    assert (drift.days_on, drift.is_today, drift.middle) == (28, True, "35")
    assert (drift.chance, drift.chance_is_hot) == ("1", False)


@pytest.mark.parametrize(("start", "said"), [(18.0, ""), (20.9, ""), (21.2, "18.0")])
def test_a_measured_end_from_which_the_forecast_does_not_begin_is_said(fit, nurse_client, frozen_day, start, said):
    patient = make_person(fit)
    patient.forecast.pace |= {"after_pct": start}
    patient.forecast.save()
    drift = read_course(patient, NOW).drift
    assert (drift.after, drift.not_believed) == (f"{start}", said)
    page = page_of(nurse_client)
    assert ("was measured as 18.0 %, which does not fit" in page) == bool(said)
    assert ("measured as 18.0 %, which does not fit the session" in page) == bool(said)


def test_an_end_that_was_reckoned_is_not_called_measured(fit):
    patient = make_person(fit)
    patient.forecast.pace |= {"after_pct": 30.0}
    patient.forecast.last_on = TODAY - timedelta(days=1)  # another session than the last on record
    patient.forecast.save()
    assert read_course(patient, NOW).drift.not_believed == ""


def test_a_genotype_that_nobody_recorded_is_named_as_such(fit):
    patient = make_person(fit)
    patient.genotype = ""
    patient.save()
    assert read_course(patient, NOW).who.facts[0].label == "genotype not recorded,"


def test_in_pregnancy_the_strip_says_so_and_doubts_the_volume(fit):
    patient = make_person(fit, reason="Pregnancy: formula and personal figures do not hold.")
    patient.pregnant_since = date(2026, 3, 9)
    patient.save()
    facts = {fact.label: (fact.figure, fact.unit) for fact in read_course(patient, NOW).who.facts}
    assert facts["pregnant"] == ("since 9 Mar", "")
    assert facts["blood volume"][1] == "L by the formula, which does not hold in pregnancy"


def test_before_the_usual_day_the_sentence_looks_ahead(fit):
    patient = make_person(fit, forecast={"last_on": TODAY - timedelta(days=7)})
    drift = read_course(patient, NOW).drift
    assert (drift.days_on, drift.is_today) == (28, False)
    assert drift.chance == "22"  # the stored chance of 21 days ahead


def test_sessions_stand_newest_first_with_pace_and_efficiency(fit):
    """Pace by hand from the facts: (34.8 − 18) / 28 = 0.60 a day."""
    rows = read_course(make_person(fit), NOW).sessions
    assert [row.on for row in rows] == [date(2026, 5, 4), date(2026, 4, 6), date(2026, 3, 9)]
    assert rows[0].pace_pct_per_day == pytest.approx(0.60)
    assert (rows[0].days, rows[0].share_of_ideal_pct, rows[0].before_over) == (28, pytest.approx(94), True)
    assert (rows[2].days, rows[2].pace_pct_per_day, rows[2].left_out) == (None, None, "first session")


def test_a_session_is_judged_by_the_ceiling_of_its_day(fit):
    patient = make_person(fit, sessions=4)
    rows = read_course(patient, NOW).sessions
    assert rows[-1].on == date(2026, 2, 9)
    assert (rows[-1].before_over, rows[-2].before_over) == (False, True)  # 34.8 under 35 until 2 March, over 30 after


def test_remarks_say_what_stands_out_what_is_missing_and_what_was_noted(fit):
    patient = make_patient("R001", site=fit.site)
    done = make_exchange_session(
        patient, visit_reason="late_missed", admission_in_gap="unknown", note="right arm slow.", hbs_after_pct=None
    )
    make_facts(done, hbs_after_pct=None, remark="Low share of ideal.", missing="HbS after", gap_known=False)
    row = read_course(patient, NOW).sessions[0]
    said = ("late, a visit was missed", "admitted, transfusion unknown", "Low share of ideal", "missing: HbS after")
    assert row.remark == "; ".join((*said, "right arm slow"))
    assert row.visit.after_reckoned
    assert row.visit.after_pct == pytest.approx(45 * 0.4)
    ExchangeSession.objects.filter(pk=done.pk).update(state="abandoned", ended_reason="a reaction")
    assert read_course(patient, NOW).sessions[0].remark.startswith("given up; late")


def test_decisions_say_what_changed_why_and_who(fit):
    patient = make_person(fit)
    newest, oldest = read_course(patient, NOW).decisions
    assert (newest.decided, newest.reason, newest.by) == ("Ceiling 35 to 30 %", "narrowing", "Dr Calloway")
    assert oldest.decided.startswith("Ceiling 35 %; accepted chance 10 in 100")


def test_letters_stand_for_ceiling_method_and_transfusions(fit):
    patient = make_person(fit)
    make_other_transfusion(patient, on=date(2026, 5, 18), units=1.0)
    notes = read_course(patient, NOW).details.notes
    assert [words for _, words in notes] == [
        "ceiling 35 to 30 %, Dr Calloway",
        "laboratory method changed, A to B",
        "simple top-up, 1 unit",
    ]


def test_choices_print_iron_per_kg_and_chances_in_words():
    view = suggested({**suggestion_body_of()}, suggestion_options(), today=TODAY, weight_kg=60.0)
    first = view.choices[0]
    assert (first.letter, first.name, first.interval_days, first.end_target) == ("F", "Fewest visits", 35, "11.9")
    assert (first.over_visit, first.over_year, first.iron_year) == ("10", "66", "45")
    assert view.choices[2].over_visit == "under 1"
    assert [choice.suggested for choice in view.choices] == [False, True, False]


def suggestion_body_of(**keys):
    class Nobody:
        patient_ref = "R001"

    return suggestion_body(Nobody, **keys)


@pytest.mark.parametrize(("factor", "longest", "held"), [(1.25, 28, True), (0.75, 28, True), (0.87, 35, False)])
def test_a_figure_at_its_bound_says_so_in_the_working(factor, longest, held):
    options = suggestion_options()
    options["working"] |= {"mixing": factor, "longest_allowed_days": longest}
    body = suggestion_body_of() | {"interval_days": 28}
    working = dict(suggested(body, options, today=TODAY, weight_kg=60.0).working)
    assert ("held at its" in working["mixes like this share of it"]) is held
    assert ("stands at it" in working["longest interval that may be suggested"]) is held


@pytest.mark.parametrize(("longest", "said"), [(58, False), (57, True)])
def test_a_last_safe_day_that_is_where_the_longest_interval_ends_says_so(longest, said):
    options = suggestion_options()
    options["working"] |= {"longest_allowed_days": longest}
    body = suggestion_body_of() | {"last_session": "2026-04-14", "latest_safe_date": "2026-06-10"}  # 57 days
    assert suggested(body, options, today=TODAY, weight_kg=60.0).latest_is_longest is said


def test_the_working_is_said_in_words_with_units():
    working = dict(suggested(suggestion_body_of(), suggestion_options(), today=TODAY, weight_kg=60.0).working)
    assert working["blood volume"] == "3842 mL"
    assert working["by the rule of"] == "Nadler 1962, adult"


def test_without_options_a_suggestion_still_says_its_days():
    view = suggested(suggestion_body_of(), None, today=TODAY, weight_kg=float("nan"))
    assert (view.next_day, view.latest_safe, view.grid, view.choices) == ("Mon 8 Jun", "Wed 10 Jun", (), ())
    assert view.has_figures


def test_an_end_target_is_answered_from_the_grid():
    """By hand from the stored grid: at 13 % the chances are 0.012, 0.06 and 0.20."""
    assert longest_for_end(suggestion_options(), 0.10, 13.0) == (28, "6")
    assert longest_for_end(suggestion_options(), 0.10, 20.0) is None
    assert longest_for_end(None, 0.10, 13.0) is None


def test_a_change_since_says_which(fit):
    patient = make_person(fit)
    assert read_course(patient, NOW).stale == ""
    patient.data_version += 1
    assert "something was recorded or corrected for this person" in read_course(patient, NOW).stale
    patient.data_version -= 1
    make_fit_in_force(fit.site, in_force_since=NOW + timedelta(hours=1))
    assert "a newer fit of the programme is in force" in read_course(patient, NOW).stale


# The page


@pytest.mark.usefixtures("frozen_day")
def test_the_page_opens_with_the_answer(nurse_client, fit):
    patient = make_person(fit)
    make_needs(patient)
    make_antibody(patient, "anti-E", found_year=2014)
    page = page_of(nurse_client)
    said = plain(page)
    assert "HbS comes back at 0.60 points a day (eight in ten: 0.45 to 0.75)." in said
    assert "Suggested: Mon 8 Jun; last safe day Wed 10 Jun. Finish at 12.0 % or lower." in said
    assert "Group O, D positive." in said
    assert "anti-E 2014" in said
    assert "CAUTION" in said
    assert page.count('class="pick"') == 3
    assert "Shown working of the pace" in said


@pytest.mark.usefixtures("frozen_day")
@pytest.mark.parametrize(("value", "said"), [(31.2, "over"), (30.0, "not over")])
def test_a_result_since_the_last_session_is_said_first(nurse_client, fit, value, said):
    make_result(make_person(fit), value=value, on=TODAY)
    assert f"Measured {value} % today, {said} the ceiling. HbS comes back" in plain(page_of(nurse_client))


@pytest.mark.usefixtures("frozen_day")
def test_a_locked_page_gives_no_figure_of_what_to_do(consultant_client, nurse_client, fit):
    patient = make_person(fit, forecast={"locked": LOCKED}, reason="possible delayed haemolysis")
    make_haemolysis_sign(patient, on=date(2026, 5, 30), note="told by telephone")
    make_result(patient, analyte="718-7", value=64, on=TODAY)
    page = page_of(consultant_client)
    said = plain(page)
    assert "Stop Possible haemolysis: a haematologist decides before any red cells. No interval" in said
    assert "Dark urine, 9 days after red cells. noted" in said
    assert "Hb on day 10 92 77 69" in said
    assert "told by telephone" in said
    assert 'class="p-fan8"' not in page
    assert "Suggested:" not in said
    assert "points a day" not in said
    assert 'id="what-if-head"' not in page
    assert 'name="reason"' in page
    assert "A consultant lifts the lock here" in plain(page_of(nurse_client))
    names = {trace["name"] for trace in json.loads(re.search(r'id="plot-data"[^>]*>(.*?)</script>', page)[1])["data"]}
    assert "forecast" not in names


@pytest.mark.usefixtures("frozen_day")
def test_an_unavailable_page_gives_the_reason_and_no_figure(nurse_client, fit):
    make_person(fit, reason="The height is missing.")
    page = page_of(nurse_client)
    assert "Nothing is suggested." in page
    assert "The height is missing." in page
    assert 'class="grid"' not in page
    assert 'id="what-if-head"' not in page
    assert "points a day" not in page
    assert 'class="p-fan8"' not in page


def test_past_the_end_of_the_forecast_nothing_is_read_from_it(fit):
    patient = make_person(fit, forecast={"last_on": TODAY - timedelta(days=85)})
    assert read_course(patient, NOW).drift.middle == ""


@pytest.mark.usefixtures("frozen_day")
def test_a_stale_page_says_what_changed(nurse_client, fit):
    patient = make_person(fit)
    type(patient).objects.update(data_version=9)
    assert "something was recorded or corrected for this person" in page_of(nurse_client)


@pytest.mark.usefixtures("frozen_day")
def test_someone_new_has_a_page(nurse_client, site):
    make_patient("NEW", site=site, with_goals=False)
    page = page_of(nurse_client, "NEW")
    assert "No exchange session is recorded yet." in page
    assert "No goals are set for this person" in page
    assert "No suggestion has been made yet" in page


@pytest.mark.usefixtures("frozen_day")
def test_earlier_sessions_open_on_a_link(nurse_client, fit):
    make_person(fit, sessions=20)
    page = page_of(nurse_client)
    assert "5 earlier sessions" in page
    assert (
        page_of(nurse_client, sessions="all").count('scope="row" class="n"') - page.count('scope="row" class="n"') == 5
    )


@pytest.mark.usefixtures("frozen_day")
@pytest.mark.parametrize("months", ["6", "all", "nonsense"])
def test_months_back_are_chosen_by_the_address(nurse_client, fit, months):
    make_person(fit)
    shown = months if months != "nonsense" else "24"
    assert f'data-months="{shown}" aria-current="true"' in page_of(nurse_client, months=months)


@pytest.mark.usefixtures("frozen_day")
def test_a_person_of_another_site_is_not_found(elsewhere_client, nurse_client, fit):
    make_person(fit)
    page_of(elsewhere_client, status=404)
    page_of(nurse_client, "R999", status=404)


def test_nobody_sees_a_course_without_signing_in(client, fit):
    make_person(fit)
    response = client.get(reverse("worklist:course", args=["R001"]))
    assert (response.status_code, response.url.split("?")[0]) == (302, reverse("core:sign_in"))


@pytest.mark.usefixtures("frozen_day")
@pytest.mark.parametrize("sessions", [1, 3])
def test_the_number_of_queries_does_not_grow_with_sessions(
    nurse_client, consultant, fit, sessions, django_assert_num_queries
):
    last = make_person(fit, sessions=sessions).exchange_sessions.latest("on")
    make_prescription(last, signed_by=consultant)
    last.result_links.filter(position="after").delete()
    with django_assert_num_queries(37 + A_LOOK):
        page_of(nurse_client)


@pytest.mark.usefixtures("frozen_day")
@pytest.mark.parametrize(
    ("state", "leads_to", "older"),
    [("planned", "plan", True), ("authorised", "plan", True), ("running", "run", True), ("finished", "after", False)],
)
def test_a_session_of_today_is_said_with_what_is_suggested_from_before_it(nurse_client, fit, state, leads_to, older):
    patient = make_person(fit)
    assert "Session of" not in page_of(nurse_client)
    key = make_exchange_session(patient, on=TODAY, state=state).pk
    page = page_of(nurse_client)
    assert f"Session of today, {state}: its plan" in plain(page)
    assert f"/people/R001/day/{key}/{leads_to}/" in page
    assert ("What is suggested on this page was reckoned before it" in page) is older


# Asking


@pytest.mark.usefixtures("frozen_day")
def test_a_question_out_of_range_is_answered_with_what_is_allowed_and_kept(nurse_client, fit):
    make_person(fit)
    page = page_of(nurse_client, ceiling="99", chance="ten")
    assert "allowed" in page
    assert 'value="99"' in page
    assert 'value="ten"' in page
    assert "What if</b>" not in page


@pytest.mark.usefixtures("frozen_day")
def test_taking_a_choice_opens_the_goals_with_it_filled_in_for_a_consultant_only(consultant_client, nurse_client, fit):
    make_person(fit)
    page = page_of(consultant_client)
    link = re.search(r'href="([^"]+)">Take L</a>', page)[1].replace("&amp;", "&")
    form = consultant_client.get(link).content.decode()
    assert re.search(r'name="usual_interval_days" value="28"', form)
    assert re.search(r'name="end_target_hbs_pct" value="14.1"', form)
    assert ">Take L</a>" not in page_of(nurse_client)


# Lifting the lock


def lift(client, reason, key="k" * 20):
    return client.post(reverse("worklist:lift_lock", args=["R001"]), {"reason": reason, "receipt": key})


@pytest.mark.usefixtures("frozen_day")
def test_a_consultant_lifts_the_lock_once_with_a_reason(consultant, consultant_client, fit):
    patient = make_person(fit, forecast={"locked": LOCKED}, reason="possible delayed haemolysis")
    first, again = (
        lift(consultant_client, "reviewed with haematology"),
        lift(consultant_client, "reviewed with haematology"),
    )
    assert (first.status_code, again.status_code) == (302, 302)
    lifted = LockLift.objects.get(patient=patient)
    assert (lifted.reason, lifted.by) == ("reviewed with haematology", consultant)
    assert TrailEntry.objects.filter(patient_key=patient.pk, action="lift lock").count() == 1


@pytest.mark.usefixtures("frozen_day")
def test_lifting_without_a_reason_is_refused_and_writes_nothing(consultant_client, fit):
    make_person(fit, forecast={"locked": LOCKED}, reason="possible delayed haemolysis")
    response = lift(consultant_client, "  ")
    assert response.status_code == 422
    assert "Lifting the lock needs a reason." in response.content.decode()
    assert not LockLift.objects.exists()


@pytest.mark.usefixtures("frozen_day")
def test_only_a_consultant_of_the_own_site_lifts_the_lock(nurse_client, coordinator_client, fit, other_site, client):
    make_person(fit, forecast={"locked": LOCKED}, reason="possible delayed haemolysis")
    assert [lift(c, "because").status_code for c in (nurse_client, coordinator_client)] == [403, 403]
    client.force_login(make_user(role="consultant", site=other_site))
    assert lift(client, "because").status_code == 404
    assert not LockLift.objects.exists()


# Asking the planner itself


@pytest.fixture
def programme(site):
    """Eight people with eight regular sessions each, learnt and planned by the programme itself."""
    wobble = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)
    for n in range(8):
        patient = make_patient(f"P{n}", site=site, family_name="Larkspur")
        for k, done in enumerate(make_course(patient, sessions=8)):
            before = 28.0 + 0.5 * n + wobble[(k + n) % 8]
            after = 13.5 + 0.1 * n + wobble[(k + 3 * n) % 8] / 2
            hb = {"hb_before_g_l": 92 + 2 * wobble[(k + 5 * n) % 8], "hb_after_g_l": 103 + 2 * wobble[(k + 2 * n) % 8]}
            make_facts(done, hbs_before_pct=before, hbs_after_pct=after, hbs_ratio=after / before, **hb)
    services.renew(list(site.patients.values_list("pk", flat=True)), NOW)
    return site


def stored_of(site):
    return {
        row.patient.patient_ref: (row.pk, row.body, row.options)
        for row in Suggestion.objects.filter(patient__site=site)
    }


@pytest.mark.usefixtures("frozen_day")
def test_a_higher_ceiling_gives_more_time_and_nothing_is_written(nurse_client, programme):
    changes = TrailEntry.objects.exclude(action=SAW)
    before, entries = stored_of(programme), changes.count()
    said = plain(page_of(nurse_client, "P7", ceiling="40"))
    assert "What if ceiling 40 %: come" in said
    in_force, asked = (
        datetime.strptime(day, "%d %b") for day in re.findall(r"last safe day (?:was )?\w+ (\d+ \w+)", said)
    )
    assert asked > in_force
    assert stored_of(programme) == before
    assert changes.count() == entries


@pytest.mark.usefixtures("frozen_day")
def test_the_answer_is_the_planners_own(nurse_client, programme):
    patient = programme.patients.get(patient_ref="P3")
    body, _ = what_if(patient, as_of=TODAY, asked=WhatIf(interval_days=21))
    said = plain(page_of(nurse_client, "P3", interval="21"))
    assert "What if every 21 days:" in said
    assert f"finish at {body['end_target_hbs_pct']:.1f} %" in said


@pytest.mark.usefixtures("frozen_day")
def test_a_question_by_script_swaps_the_answers_alone(nurse_client, programme):
    there = reverse("worklist:course", args=["P3"])
    part = nurse_client.get(there, {"chance": "5"}, headers={"HX-Request": "true"}).content.decode()
    assert part.startswith('<section id="answers"')
    assert "accepted chance 5 in 100" in part
    assert "<html" not in part


@pytest.mark.usefixtures("frozen_day")
def test_an_end_target_alone_is_answered_in_words(nurse_client, programme):
    said = plain(page_of(nurse_client, "P3", end="12"))
    assert re.search(
        r"Ending at 12 %, (the longest interval within 10 in 100 is \d+ days|no interval of the grid)", said
    )


@pytest.mark.usefixtures("frozen_day")
def test_pages_print_what_the_planner_really_stores(nurse_client, programme):
    """The shapes of stored rows as the programme makes them, not as a test would."""
    listed = b"".join(nurse_client.get(reverse("worklist:list")).streaming_content).decode()
    assert listed.count('class="p-fan8"') >= 8
    said = page_of(nurse_client, "P3")
    assert "points a day" in said
    assert 'class="tt ways"' in said
    assert 'class="grid"' in said
    assert "Stale" not in said


@pytest.mark.usefixtures("frozen_day")
def test_the_next_place_stands_on_the_course_or_the_way_to_find_one(nurse_client, fit):
    patient = make_person(fit)
    there = reverse("worklist:course", args=["R001"])
    assert reverse("booking:places", args=["R001"]) in nurse_client.get(there).content.decode()
    booked = make_booking(patient, make_chair(fit.site), on=date(2026, 6, 9))
    page = nurse_client.get(there).content.decode()
    assert reverse("booking:booking", args=["R001", booked.pk]) in page
    assert "Booked Tue 9 Jun" in page and "Flag: booked." in page


# Efficiency over the sessions


@pytest.mark.parametrize("falls", [True, False])
def test_a_share_removed_that_falls_from_session_to_session_is_said(fit, nurse_client, falls):
    patient = make_patient("R007", site=fit.site)
    for n, done in enumerate(make_course(patient, sessions=10)):
        share = 1.0 - 0.04 * n if falls else 0.9 + 0.01 * (n % 2)
        make_facts(done, share_of_ideal=share, share_of_ideal_sd=0.12)
    make_standing(patient, fit)
    said = page_of(nurse_client, "R007")
    words = "the share of own cells removed has fallen from 100 % to 64 % of what the volumes should remove."
    assert (words in said) == falls
