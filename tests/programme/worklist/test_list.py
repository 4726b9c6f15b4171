"""The list: who stands where, in which words, in a fixed number of queries, and only of the own site."""

from datetime import date, timedelta

import pytest
from django.urls import reverse
from django_tables2 import Table

from patients.models import Analyte, Genotype, Patient, Standing
from programme.booking.models import ClosedDay
from programme.booking.queries.placing import people_of
from programme.booking.services import moves
from programme.booking.services.wishes import withdraw_away
from programme.core.numeric.setting_table import DEFAULTS
from programme.supply.models import BloodOrder
from programme.worklist.numeric.urgency import Band
from programme.worklist.queries.everyone import everyone
from sessions.models import ExchangeSession
from tests.blood import make_order_with_unit
from tests.factories import (
    NOW,
    TODAY,
    make_away,
    make_booking,
    make_chair,
    make_exchange_session,
    make_facts,
    make_fit_in_force,
    make_follow_up,
    make_goals,
    make_haemolysis_sign,
    make_open_week,
    make_patient,
    make_planned_session,
    make_prescription,
    make_result,
    make_standing,
    make_unavailable_suggestion,
    suggestion_options,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def fit(site):
    return make_fit_in_force(site)


def open_chair(site):
    """A chair of a unit that is open on working days, so that a place there can be kept."""
    make_open_week(site)
    return make_chair(site)


def make_person(fit, ref="R001", *, name="Testwood", session=True, standing=True, ceiling=30, **suggestion):
    """Someone with one session four weeks ago and, unless said otherwise, figures in force."""
    patient = make_patient(ref, site=fit.site, family_name=name, with_goals=False)
    make_goals(patient, since=date(2026, 1, 5), hbs_ceiling_pct=ceiling)
    if session:
        make_facts(make_exchange_session(patient))
    if standing:
        make_standing(patient, fit, **suggestion)
    return patient


def rows_of(site, **kwargs):
    return {row.patient_ref: row for band in everyone(site, NOW, **kwargs).bands for row in band.rows}


def text_of(response):
    return b"".join(response.streaming_content).decode()


def get_list(client, **query):
    response = client.get(reverse("worklist:list"), query)
    assert response.status_code == 200
    return text_of(response)


# Where people stand


def test_a_call_that_is_due_stands_in_the_list_with_the_way_to_record_it(site, fit, nurse_client, frozen_day):
    patient = make_person(fit, next_date=date(2026, 7, 6), latest_safe_date=date(2026, 7, 8))
    session = patient.exchange_sessions.get()
    due = make_follow_up(session, due_on=TODAY - timedelta(days=1))
    make_follow_up(session, due_on=TODAY - timedelta(days=9), done_at=NOW, outcome="well")
    make_follow_up(session, due_on=TODAY + timedelta(days=3))
    row = rows_of(site)["R001"]
    assert (row.need.band, row.contact_key) == (Band.ARRANGE, due.pk)
    page = get_list(nurse_client)
    assert "Call about signs of a late reaction, due Sun 31 May. " in page
    assert reverse("bedside:call", args=["R001", due.pk]) in page


def test_someone_due_within_a_week_is_to_arrange_with_window_best_day_and_chance(fit):
    make_person(fit)
    row = rows_of(fit.site)["R001"]
    assert row.need.band is Band.ARRANGE
    assert row.need.sentence == "Arrange Mon 8 Jun; last safe day Wed 10 Jun."
    assert (row.window, row.best_day) == ("1\u201310 Jun", "best Mon 8 Jun")
    assert (row.chance, row.chance_when, row.chance_is_hot) == ("8", "by 8 Jun", False)
    assert (row.before, row.before_over, row.before_day, row.days_since) == ("45.0", True, "4 May", 28)


def test_a_day_suggested_after_the_last_safe_one_is_not_called_best_of_the_days_before_it(fit):
    make_person(fit, latest_safe_date=date(2026, 6, 7))
    row = rows_of(fit.site)["R001"]
    assert (row.window, row.best_day) == ("safe to 7 Jun", "next Mon 8 Jun")


def test_a_safe_place_in_the_diary_takes_somebody_off_the_week_and_is_printed(
    site, fit, coordinator_client, frozen_day
):
    patient = make_person(fit)
    booked = make_booking(patient, open_chair(site), on=date(2026, 6, 9))
    row = rows_of(site)["R001"]
    assert (row.need.band, row.need.sentence, row.booked) == (Band.ON_COURSE, "Booked Tue 9 Jun.", "Tue 9 Jun")
    page = get_list(coordinator_client)
    assert reverse("booking:booking", args=["R001", booked.pk]) in page
    assert "09:00, Chair 1" in page


def test_who_did_not_come_rises_at_once_until_something_else_is_booked(site, fit, coordinator_client, frozen_day):
    patient, chair = make_person(fit, next_date=date(2026, 7, 6), latest_safe_date=date(2026, 7, 8)), open_chair(site)
    booked = make_booking(patient, chair, on=TODAY)
    assert rows_of(site)["R001"].need.band is Band.ON_COURSE
    there = reverse("booking:booking", args=["R001", booked.pk])
    receipt = coordinator_client.get(there).context["receipt"]
    coordinator_client.post(there, {"receipt": receipt, "version": 1, "act": "missed"})
    row = rows_of(site)["R001"]
    assert row.need.band is Band.NOW
    assert row.need.sentence == "Did not come today. Telephone today; last safe day Wed 8 Jul."
    assert "Ada Testwood did not come today." in get_list(coordinator_client)
    make_booking(patient, chair, on=date(2026, 6, 9))
    assert rows_of(site)["R001"].need.band is Band.ON_COURSE


def test_a_missed_visit_is_with_the_consultant_after_the_sites_days_in_words_for_everybody(
    site, fit, nurse_client, frozen_day
):
    """TODAY is Monday 1 June 2026; the setting escalate_after_days is 3 unless the site says otherwise."""
    chair, later = open_chair(site), {"next_date": date(2026, 7, 6), "latest_safe_date": date(2026, 7, 8)}
    for ref, on in (("R001", date(2026, 5, 29)), ("R002", date(2026, 5, 28)), ("R003", date(2026, 5, 31))):
        make_booking(make_person(fit, ref, **later), chair, on=on, state="missed")
    lines = {ref: row.need.sentence for ref, row in rows_of(site).items()}
    rest = "Telephone today; last safe day Wed 8 Jul."
    assert lines["R001"] == f"Did not come on Fri 29 May, with the consultant since today. {rest}"
    # Three days after Thursday 28 May is a Sunday: the consultant's since the Friday before it
    assert lines["R002"] == f"Did not come on Thu 28 May, with the consultant since Fri 29 May. {rest}"
    assert lines["R003"] == f"Did not come on Sun 31 May. {rest}"
    assert list(lines) == ["R002", "R001", "R003"]
    assert "with the consultant since Fri 29 May" in get_list(nurse_client)


def test_a_child_who_was_not_brought_has_the_prompt_in_its_line_and_in_the_answer(
    site, fit, coordinator_client, frozen_day
):
    prompt = "Child not brought: think of safeguarding; follow the local policy."
    patient = make_person(fit)
    Patient.objects.update(birth_date=date(2012, 6, 1))
    booked = make_booking(patient, open_chair(site), on=TODAY)
    there = reverse("booking:booking", args=["R001", booked.pk])
    receipt = coordinator_client.get(there).context["receipt"]
    body = {"receipt": receipt, "version": 1, "act": "missed"}
    assert prompt in coordinator_client.post(there, body, follow=True).content.decode()
    assert prompt in rows_of(site)["R001"].need.sentence
    Patient.objects.update(birth_date=date(2008, 6, 1))  # 18 today
    assert "safeguarding" not in rows_of(site)["R001"].need.sentence


def test_who_did_not_come_is_not_in_today_though_a_session_was_planned(site, fit, coordinator_client, frozen_day):
    patient, chair = make_person(fit, next_date=date(2026, 7, 6), latest_safe_date=date(2026, 7, 8)), open_chair(site)
    booked, planned = make_booking(patient, chair, on=TODAY), make_planned_session(patient, on=TODAY)
    assert rows_of(site)["R001"].need.band is Band.CHAIR
    there = reverse("booking:booking", args=["R001", booked.pk])
    sent = {"receipt": coordinator_client.get(there).context["receipt"], "version": 1, "act": "missed"}
    said = coordinator_client.post(there, sent, follow=True).content.decode()
    assert "An exchange is still planned for them on Mon 1 Jun 2026: cancel it on its plan" in said
    row = rows_of(site)["R001"]
    assert (row.need.band, row.need.lead) == (Band.NOW, "Did not come today. ")
    assert row.need.also[0] == "the session planned for today is open: cancel it unless they come"
    assert reverse("bedside:plan", args=["R001", planned.pk]) in get_list(coordinator_client)
    make_booking(patient, chair, on=date(2026, 6, 9))
    row = rows_of(site)["R001"]
    assert (row.need.band, len(row.need.also)) == (Band.ON_COURSE, 1)  # still said once they are booked elsewhere
    ExchangeSession.objects.filter(pk=planned.pk).update(state="running")  # they came after all
    assert rows_of(site)["R001"].need.band is Band.CHAIR


def test_a_plan_whose_visit_was_cancelled_or_moved_is_said_in_its_place_and_nobody_is_expected(site, fit, coordinator):
    patient, chair = make_person(fit, next_date=date(2026, 7, 6), latest_safe_date=date(2026, 7, 8)), open_chair(site)
    booked, planned = make_booking(patient, chair, on=TODAY), make_planned_session(patient, on=TODAY)
    assert rows_of(site)["R001"].need.band is Band.CHAIR
    given = {"version": 1, "ended_by": "person", "reason": "ill", "actor": coordinator, "at": NOW}
    moves.cancel(booking=booked, **given)
    row = rows_of(site)["R001"]
    assert (row.need.band, row.need.mark, row.chair.key) == (Band.ARRANGE, "check", planned.pk)
    assert row.need.sentence == (
        "The place today was cancelled and its plan is still open. Cancel it or book; last safe day Wed 8 Jul."
    )
    other = make_booking(patient, chair, on=date(2026, 6, 9))
    assert rows_of(site)["R001"].need.sentence == (
        "The place today was cancelled and its plan is still open. Cancel the plan; booked Tue 9 Jun."
    )
    moves.cancel(booking=other, **given)
    back = make_booking(patient, chair, on=TODAY)  # they come today after all, and are expected again
    assert rows_of(site)["R001"].need.band is Band.CHAIR
    moves.move(booking=back, chair_pk=chair.pk, on=date(2026, 7, 6), slot=1, **given)
    assert rows_of(site)["R001"].need.lead == "The place today was moved and its plan is still open. "
    ExchangeSession.objects.filter(pk=planned.pk).update(state="cancelled", ended_reason="ill")
    assert rows_of(site)["R001"].need.band is Band.ON_COURSE


def test_who_gave_up_their_place_of_today_needs_another_though_a_session_is_planned(site, fit):
    patient, chair = make_person(fit), open_chair(site)
    make_planned_session(patient, on=TODAY)

    def here():
        (row,) = people_of(site, NOW, DEFAULTS)
        return row.in_chair

    assert here()
    make_booking(patient, chair, on=TODAY, state="cancelled", ended_reason="ill")
    assert not here()
    make_booking(patient, chair, on=TODAY)
    assert here()


def test_a_booked_day_gone_by_is_asked_after_until_somebody_says_what_became_of_it(
    site, fit, coordinator_client, frozen_day
):
    patient = make_person(fit, next_date=date(2026, 7, 6), latest_safe_date=date(2026, 7, 8))
    booked = make_booking(patient, open_chair(site), on=date(2026, 5, 29))
    row = rows_of(site)["R001"]
    assert (row.need.band, row.need.mark) == (Band.ARRANGE, "check")
    assert row.need.sentence == ("Booked Fri 29 May, and nobody has said what became of it. Say whether they came.")
    assert reverse("booking:booking", args=["R001", booked.pk]) in get_list(coordinator_client)
    booked.state = "came"
    booked.save()
    assert rows_of(site)["R001"].need.band is Band.ON_COURSE


def test_a_session_on_the_booked_day_says_that_they_came(site, fit):
    patient = make_person(fit, next_date=date(2026, 7, 6), latest_safe_date=date(2026, 7, 8))
    make_booking(patient, open_chair(site), on=date(2026, 5, 4))
    assert rows_of(site)["R001"].need.band is Band.ON_COURSE


@pytest.mark.parametrize("state", ["running", "closed"])
def test_once_the_session_of_today_is_over_its_place_is_no_longer_the_next(site, fit, frozen_day, state):
    """Nobody presses 'Came' for somebody in the chair: the place of the further day was hidden until the next one."""
    patient, chair = make_person(fit, next_date=date(2026, 7, 6), latest_safe_date=date(2026, 7, 8)), open_chair(site)
    make_booking(patient, chair, on=TODAY)
    make_booking(patient, chair, on=TODAY + timedelta(days=1))
    make_exchange_session(patient, on=TODAY, state=state)
    row = rows_of(site)["R001"]
    assert row.booked == ("Tue 2 Jun" if state == "closed" else "Mon 1 Jun")
    assert ("Booked Tue 2 Jun." in row.need.sentence) == (state == "closed")


@pytest.mark.parametrize(
    ("target", "booked", "asks"), [(12.3, False, True), (17.0, False, True), (17.1, False, False), (12.3, True, False)]
)
def test_a_further_day_that_was_foreseen_is_decided_about_before_it_comes(
    site, fit, consultant, frozen_day, target, booked, asks
):
    """HbS after was 18.0 %: less than a point over the target nothing asks for a second day. Without a word on the
    list it was forgotten once the page after the first was closed."""
    patient = make_person(fit, next_date=date(2026, 6, 15), latest_safe_date=date(2026, 6, 20))
    done = make_exchange_session(patient, on=TODAY)
    make_facts(done, hbs_after_pct=18.0)
    series = [{"date": TODAY.isoformat(), "units": 3}, {"date": "2026-06-02", "units": 2}]
    make_prescription(done, signed_by=consultant, predicted={"series": series, "end_target_pct": target})
    if booked:
        make_booking(patient, open_chair(site), on=date(2026, 6, 3))
    need = rows_of(site)["R001"].need
    words = "A further session was foreseen for Tue 2 Jun and has no place. Prescriber to decide."
    assert (need.sentence == words) == asks, need.sentence
    assert (need.band is Band.ARRANGE) == asks
    make_planned_session(patient, on=date(2026, 6, 2), state="cancelled", ended_reason="not wanted")
    for days, why in ((1, "its session was called off, so it was decided"), (2, "its day has gone by")):
        later = [row.need.sentence for band in everyone(site, NOW + timedelta(days)).bands for row in band.rows]
        assert len(later) == 1
        assert "A further session was foreseen" not in later[0], why


def test_a_session_after_the_missed_visit_ends_it(site, fit):
    patient = make_person(fit)
    make_booking(patient, open_chair(site), on=date(2026, 5, 1), state="missed")
    assert rows_of(site)["R001"].need.band is Band.ARRANGE


def test_a_place_after_the_last_safe_day_stays_in_sight_with_its_reason(site, fit):
    patient = make_person(fit)
    booked = make_booking(patient, open_chair(site), on=date(2026, 6, 12))
    row = rows_of(site)["R001"]
    assert (row.need.band, row.need.mark, row.booked_late) == (Band.ARRANGE, "check", True)
    assert row.need.sentence == ("Booked Fri 12 Jun, after the last safe day Wed 10 Jun. Look for an earlier place.")
    booked.late_reason = "Examinations."
    booked.save()
    row = rows_of(site)["R001"]
    assert (row.need.band, row.need.mark) == (Band.ARRANGE, "note")
    assert row.need.sentence == "Booked Fri 12 Jun, after the last safe day Wed 10 Jun: Examinations."


def test_somebody_past_the_window_who_is_booked_is_now_with_the_day(site, fit):
    patient = make_person(fit, latest_safe_date=date(2026, 5, 28), next_date=date(2026, 6, 2), chance_today=0.43)
    make_booking(patient, open_chair(site), on=date(2026, 6, 2), late_reason="the first free")
    row = rows_of(site)["R001"]
    assert row.need.band is Band.NOW
    assert row.need.sentence == "The last safe day was Thu 28 May. Booked Tue 2 Jun."


def test_a_last_safe_day_gone_by_is_now_and_hot(fit):
    make_person(fit, latest_safe_date=date(2026, 5, 28), next_date=date(2026, 6, 2), chance_today=0.43)
    row = rows_of(fit.site)["R001"]
    assert row.need.band is Band.NOW
    assert (row.window, row.window_passed, row.best_day) == ("passed 28 May", True, "")
    assert (row.chance, row.chance_when, row.chance_is_hot) == ("43", "today", True)


def test_the_chance_of_today_is_not_that_of_the_day_on_which_the_suggestion_was_made(fit):
    """Of 27 May the suggestion said 5 in 100; of 1 June, five days on, it foresaw 31."""
    made = date(2026, 5, 27)
    by_day = {"from": made.isoformat(), "chance": [0.05, 0.09, 0.13, 0.18, 0.24, 0.31]}
    late = {"as_of": made, "latest_safe_date": date(2026, 5, 28), "chance_today": 0.05}
    make_person(fit, options=suggestion_options(chance_by_day=by_day), **late)
    row = rows_of(fit.site)["R001"]
    assert (row.chance, row.chance_when, row.chance_is_hot) == ("31", "today", True)
    by_day["chance"] = [0.05]  # a day that it does not tell of
    make_person(fit, "R002", options=suggestion_options(chance_by_day=by_day), **late)
    assert rows_of(fit.site)["R002"].chance != "5"


def test_a_result_over_the_ceiling_outranks_the_forecast(fit):
    patient = make_person(fit, next_date=date(2026, 6, 22), latest_safe_date=date(2026, 6, 24))
    make_result(patient, value=31.2, on=TODAY)
    row = rows_of(fit.site)["R001"]
    assert row.need.band is Band.NOW
    assert (row.chance, row.chance_when, row.window) == ("over", "measured", "today")
    assert (row.before, row.before_day) == ("31.2", "today")


def test_a_result_is_compared_at_the_precision_at_which_it_is_reported(fit):
    """A value that reads 30.0 is not over 30, whatever hides behind its last digit."""
    patient = make_person(fit)
    make_result(patient, value=30.04, on=TODAY)
    assert rows_of(fit.site)["R001"].chance == "under"


def test_a_low_result_counts_for_three_days_and_a_high_one_until_the_session(fit):
    low, high = make_person(fit, "LOW"), make_person(fit, "HIGH")
    make_result(low, value=25.0, on=TODAY - timedelta(days=4))
    make_result(high, value=35.0, on=TODAY - timedelta(days=4))
    rows = rows_of(fit.site)
    assert rows["LOW"].chance_when == "by 8 Jun"
    assert rows["HIGH"].need.band is Band.NOW


def test_in_sc_disease_the_followed_share_is_the_sum_of_one_sample(fit):
    patient = make_person(fit)
    patient.genotype = Genotype.SC
    patient.save()
    make_result(patient, value=16.0, on=TODAY)
    assert rows_of(fit.site)["R001"].chance_when == "by 8 Jun"
    make_result(patient, analyte=Analyte.HBC, value=15.5, on=TODAY)
    row = rows_of(fit.site)["R001"]
    assert (row.before, row.chance, row.followed) == ("31.5", "over", "HbS+HbC")


def test_a_result_of_before_the_last_session_says_nothing_about_today(fit):
    patient = make_person(fit)
    make_result(patient, value=44.0, on=date(2026, 5, 3))
    assert rows_of(fit.site)["R001"].chance_when == "by 8 Jun"


def test_a_lock_is_now_with_no_figure_and_no_day(fit):
    locked = {"reason": "dark urine", "rows": [], "until": "2026-06-05"}
    make_person(fit, forecast={"locked": locked}, reason="possible delayed haemolysis")
    row = rows_of(fit.site)["R001"]
    assert (row.need.band, row.chance, row.chance_when, row.window) == (Band.NOW, "not given", "locked", "none")
    assert row.course.forecast is None


def test_a_sign_noted_since_the_forecast_locks_at_once(fit):
    patient = make_person(fit)
    make_haemolysis_sign(patient, on=date(2026, 5, 30))
    row = rows_of(fit.site)["R001"]
    assert (row.need.band, row.window) == (Band.NOW, "none")


def test_an_unavailable_suggestion_gives_its_reason_and_no_figure(fit):
    make_person(fit, reason="the height is missing")
    row = rows_of(fit.site)["R001"]
    assert row.need.band is Band.CANNOT_SAY
    assert row.need.sentence == "The height is missing. Decide the day by hand."
    assert (row.chance, row.window, row.best_day) == ("cannot say", "none", "")
    assert row.course.forecast is None


def test_no_result_since_spring_asks_for_samples(fit):
    patient = make_person(fit, session=False, standing=False)
    make_result(patient, value=28.0, on=date(2025, 11, 3))
    make_unavailable_suggestion(patient, model_fit=fit)
    assert rows_of(fit.site)["R001"].need.sentence == "No HbS result since Mon 3 Nov 2025. Ask for HbS and Hb."


def test_someone_without_any_figure_is_in_the_list(fit):
    make_patient("NEW", site=fit.site)
    row = rows_of(fit.site)["NEW"]
    assert (row.need.band, row.before, row.days_since) == (Band.CANNOT_SAY, "", None)


def test_someone_paused_stands_last_and_someone_who_left_is_gone(fit):
    paused, gone = make_person(fit, "P"), make_person(fit, "G")
    paused.standing, paused.standing_reason = Standing.PAUSED, "abroad"
    gone.standing = Standing.LEFT
    paused.save()
    gone.save()
    rows = rows_of(fit.site)
    assert rows["P"].need.sentence == "Paused: abroad."
    assert (rows["P"].chance, rows["P"].window) == ("not given", "none")
    assert "G" not in rows


def test_the_chair_band_is_there_only_with_an_open_session_today(fit):
    patient = make_person(fit)
    assert [band.name for band in everyone(fit.site, NOW).bands][:2] == ["Now", "To arrange this week"]
    make_planned_session(patient, on=TODAY)
    bands = everyone(fit.site, NOW).bands
    assert [(band.name, len(band.rows)) for band in bands][:2] == [("Now", 0), ("In the chair today", 1)]


@pytest.mark.parametrize(("state", "is_today"), [("authorised", True), ("running", True), ("finished", False)])
def test_until_a_session_of_today_has_ended_its_day_is_the_one_suggested(fit, state, is_today):
    patient = make_person(fit)
    before = rows_of(fit.site)["R001"]
    assert before.best_day
    make_planned_session(patient, on=TODAY, state=state)
    row = rows_of(fit.site)["R001"]
    assert (row.window, row.best_day) == (("today", "") if is_today else (before.window, before.best_day))


@pytest.mark.usefixtures("frozen_day")
def test_the_chair_band_leads_to_where_each_session_stands(nurse_client, coordinator_client, fit):
    states = {"planned": "plan", "authorised": "start", "running": "run", "finished": "after"}
    keys = {}
    for state in states:
        patient = make_person(fit, state.upper())
        keys[state] = make_planned_session(patient, on=TODAY, state=state).pk
    text = b"".join(nurse_client.get("/").streaming_content).decode()
    band = text.split("In the chair today")[1].split("To arrange")[0]
    for state, page in states.items():
        assert f"/people/{state.upper()}/day/{keys[state]}/{page}/" in band
        assert f"/people/{state.upper()}/day/{keys[state]}/plan/" in band
    assert "<b>Check and start</b>" in band
    text = b"".join(coordinator_client.get("/").streaming_content).decode()
    assert f"/day/{keys['running']}/run/" not in text
    assert f"/day/{keys['running']}/plan/" in text


# Sessions left from days gone by


def left_of(page):
    return page.split("Left from days gone by")[1].split("</section>")[0]


@pytest.mark.usefixtures("frozen_day")
def test_a_session_left_from_a_day_gone_by_says_what_can_be_done_with_it(nurse_client, fit):
    patient, keys = make_person(fit, name="Larkspur"), {}
    for days, state in enumerate(("planned", "authorised", "running", "finished"), start=3):
        keys[state] = make_planned_session(patient, on=TODAY - timedelta(days=days), state=state).pk
    for days, state in enumerate(("closed", "cancelled", "abandoned"), start=8):
        make_planned_session(patient, on=TODAY - timedelta(days=days), state=state, ended_reason="unwell")
    make_planned_session(patient, on=TODAY)
    make_planned_session(patient, on=TODAY + timedelta(days=7))
    assert [(row.on.day, row.state) for row in everyone(fit.site, NOW).left] == [
        (26, "finished"), (27, "running"), (28, "authorised"), (29, "planned"),
    ]  # fmt: skip
    left = left_of(get_list(nurse_client))
    assert "planned, never signed" in left
    assert "signed, never started" in left
    for state in ("planned", "authorised"):
        assert reverse("bedside:plan", args=["R001", keys[state]]) + "#cancel" in left
    assert left.count(reverse("worklist:plan", args=["R001"])) == 2
    assert reverse("bedside:run", args=["R001", keys["running"]]) in left
    assert reverse("bedside:after", args=["R001", keys["finished"]]) in left


def test_what_is_left_is_of_the_own_site_and_follows_the_search_but_not_the_programme(fit, other_site):
    gone = make_person(fit, "R1", name="Larkspur")
    gone.standing = Standing.LEFT
    gone.save()
    make_planned_session(gone, on=TODAY - timedelta(days=3))
    make_planned_session(make_patient("X1", site=other_site), on=TODAY - timedelta(days=3))
    assert [row.patient_ref for row in everyone(fit.site, NOW).left] == ["R1"]
    assert [row.patient_ref for row in everyone(fit.site, NOW, find="lark").left] == ["R1"]
    assert everyone(fit.site, NOW, find="wren").left == ()


@pytest.mark.usefixtures("frozen_day")
def test_nothing_is_said_of_what_is_left_where_nothing_is(nurse_client, fit):
    make_planned_session(make_person(fit), on=TODAY)
    assert "Left from days gone by" not in get_list(nurse_client)


@pytest.mark.usefixtures("frozen_day")
def test_somebody_who_may_not_cancel_is_only_led_to_the_plan(coordinator_client, fit):
    session = make_planned_session(make_person(fit), on=TODAY - timedelta(days=3))
    make_planned_session(make_person(fit, "R2"), on=TODAY - timedelta(days=2), state="running")
    left = left_of(get_list(coordinator_client))
    assert reverse("bedside:plan", args=["R001", session.pk]) in left
    assert "Cancel it" not in left
    assert "/run/" not in left


@pytest.mark.parametrize(
    "change", [{"data_version": 99}, {"code_version": "an older one"}, {"model_fit": None}], ids=lambda c: next(iter(c))
)
def test_a_suggestion_made_from_something_older_is_marked_stale(fit, change):
    make_person(fit, "OLD", standing=False)
    old = fit.site.patients.get()
    make_standing(old, change.pop("model_fit", fit), **change)
    assert rows_of(fit.site)["OLD"].stale
    make_person(fit, "NEW")
    assert not rows_of(fit.site)["NEW"].stale


def test_a_person_without_goals_stands_by_the_defaults_of_the_site(fit):
    patient = make_patient("R001", site=fit.site, with_goals=False)
    make_standing(patient, fit)
    assert rows_of(fit.site)["R001"].ceiling == "30"


def test_the_most_pressing_stands_first(fit):
    make_person(fit, "CALM", next_date=date(2026, 6, 22), latest_safe_date=date(2026, 6, 24))
    make_person(fit, "SOON", next_date=date(2026, 6, 3), latest_safe_date=date(2026, 6, 3))
    make_person(fit, "SOONER", next_date=date(2026, 6, 2), latest_safe_date=date(2026, 6, 2))
    make_person(fit, "LATE", latest_safe_date=date(2026, 5, 30), chance_today=0.2)
    make_person(fit, "LATER", latest_safe_date=date(2026, 5, 30), chance_today=0.6)
    assert list(rows_of(fit.site)) == ["LATER", "LATE", "SOONER", "SOON", "CALM"]


def test_find_narrows_the_rows_but_never_the_opening_sentence(fit):
    make_person(fit, "R001", name="Larkspur")
    make_person(fit, "R002", name="Pemberwell")
    page = everyone(fit.site, NOW, find="lark ADA")
    assert (page.shown, page.people) == (1, 2)
    assert page.opening[0] == "Two of 2 people ask something of you."
    assert list(rows_of(fit.site, find="r002")) == ["R002"]


# The page


@pytest.mark.usefixtures("frozen_day")
def test_the_page_says_everything_in_words(nurse_client, fit):
    make_person(fit, "R001", name="Larkspur")
    page = get_list(nurse_client)
    assert "One of 1 person asks something of you." in page
    assert "Nobody is late." in page
    assert ">Larkspur, Ada</a>" in page
    assert "<b>Arrange Mon 8 Jun</b>; last safe day Wed 10 Jun." in page
    assert page.count("Nothing.</span></th>") == 3  # Now, on course and cannot say are empty and say so
    assert 'aria-label="Ceiling 30 %. Last before sessions: 45.0 %.' in page
    assert "CAUTION" in page


@pytest.mark.usefixtures("frozen_day")
def test_the_first_band_is_sent_before_later_pictures_are_drawn(nurse_client, fit, monkeypatch):
    make_person(fit, "LATE", name="Larkspur", latest_safe_date=date(2026, 5, 30), chance_today=0.5)
    make_person(fit, "CALM", name="Pemberwell", next_date=date(2026, 6, 22), latest_safe_date=date(2026, 6, 24))
    drawn = []
    as_html = Table.as_html
    monkeypatch.setattr(
        Table, "as_html", lambda table, request: drawn.append(len(table.data)) or as_html(table, request)
    )
    chunks = iter(nurse_client.get(reverse("worklist:list")).streaming_content)
    assert b"Larkspur, Ada</a>" not in next(chunks)
    assert b"Larkspur, Ada</a>" in next(chunks)
    assert drawn == [1]
    assert b"Pemberwell" in b"".join(chunks)
    assert drawn == [1, 1]


@pytest.mark.usefixtures("frozen_day")
def test_only_people_of_the_own_site_are_shown(nurse_client, elsewhere_client, fit, other_site):
    make_person(fit, "R001", name="Larkspur")
    make_person(make_fit_in_force(other_site), "R001", name="Heronwood")
    here, there = get_list(nurse_client), get_list(elsewhere_client)
    assert ("Larkspur" in here, "Heronwood" in here) == (True, False)
    assert ("Larkspur" in there, "Heronwood" in there) == (False, True)


def test_nobody_sees_the_list_without_signing_in(client):
    response = client.get(reverse("worklist:list"))
    assert response.status_code == 302
    assert response.url.startswith(reverse("core:sign_in"))


@pytest.mark.usefixtures("frozen_day")
def test_every_role_sees_the_list(nurse_client, consultant_client, coordinator_client, fit):
    make_person(fit, name="Larkspur")
    assert all("Larkspur" in get_list(client) for client in (nurse_client, consultant_client, coordinator_client))


@pytest.mark.usefixtures("frozen_day")
def test_a_search_by_script_gets_the_table_alone(nurse_client, fit):
    make_person(fit, name="Larkspur")
    response = nurse_client.get(reverse("worklist:list"), {"find": "lark"}, headers={"HX-Request": "true"})
    part = text_of(response)
    assert part.startswith('<div id="everyone" data-version="')
    assert "1 of 1 people shown." in part
    assert "<html" not in part
    assert response.headers["Vary"].startswith("HX-Request")


@pytest.mark.usefixtures("frozen_day")
def test_a_search_that_finds_nobody_says_so_and_typed_markup_stays_text(nurse_client, fit):
    make_person(fit)
    page = get_list(nurse_client, find="<!-- rows --><b>")
    assert "&lt;!-- rows --&gt;&lt;b&gt;" in page
    assert "Show everyone" in page


@pytest.mark.usefixtures("frozen_day")
def test_an_empty_programme_says_what_comes_next(nurse_client):
    assert "Nobody is on the programme yet." in get_list(nurse_client)


@pytest.mark.usefixtures("frozen_day")
@pytest.mark.parametrize("people", [1, 3])
def test_the_number_of_queries_does_not_grow_with_people(
    nurse_client, consultant, fit, people, django_assert_num_queries
):
    for n in range(people):
        patient = make_person(fit, f"R{n}")
        make_result(patient, value=31.0, on=TODAY)
        make_follow_up(patient.exchange_sessions.get())
        make_planned_session(patient, on=TODAY)
        make_planned_session(patient, on=TODAY - timedelta(days=3))
        done = patient.exchange_sessions.earliest("on")
        make_prescription(done, signed_by=consultant)
        done.result_links.filter(position="after").delete()
        make_booking(patient, make_chair(fit.site))
    with django_assert_num_queries(38):
        get_list(nurse_client)


@pytest.mark.usefixtures("frozen_day")
@pytest.mark.parametrize("ref", ["12/345", "A 7", "Ä-1", "7%2F8", "a/plan.pdf"])
def test_any_reference_a_unit_may_use_can_be_listed_and_opened(nurse_client, site, ref):
    patient = make_patient(ref, site=site)
    address = reverse("worklist:course", args=[patient.patient_ref])
    assert address in "".join(part.decode() for part in nurse_client.get("/").streaming_content)
    answer = nurse_client.get(address)
    assert answer.status_code == 200
    assert ref in answer.content.decode()


# Places that cannot be kept


@pytest.mark.usefixtures("frozen_day")
def test_a_place_that_cannot_be_kept_is_said_until_it_is_moved_or_can_be_kept_again(nurse_client, fit, nurse):
    patient, site = make_person(fit), fit.site
    booked = make_booking(patient, open_chair(site), on=date(2026, 6, 5))
    away = make_away(patient, since=date(2026, 6, 4), until=date(2026, 6, 9), words="a wedding")
    need = rows_of(site)["R001"].need
    assert (need.band, need.mark) == (Band.NOW, "stop")
    assert need.sentence == (
        "Booked Fri 5 Jun, and it cannot be kept: they cannot come until Tue 9 Jun 2026: a wedding. Move it."
    )
    withdraw_away(row=away, version=away.version, reason="put off", actor=nurse, at=NOW)
    assert rows_of(site)["R001"].need.band is Band.ON_COURSE
    ClosedDay.objects.create(site=site, on=booked.on, words="training")
    assert "the unit is closed (training)" in rows_of(site)["R001"].need.sentence


# Blood for the next place


@pytest.mark.parametrize(
    ("state", "fields", "words"),
    [
        ("drafted", {}, "blood drafted"),
        ("drafted", {"on": date(2026, 6, 4)}, "blood not sent in time"),  # four working days before is Friday 29 May
        ("sent", {}, "blood sent for"),
        ("part", {"confirmed_units": 3}, "blood 3 of 4"),
        ("confirmed", {"confirmed_units": 4}, "blood confirmed"),
        ("arrived", {"confirmed_units": 4}, "blood 1 of 4 here"),
        ("arrived", {"units": 1, "confirmed_units": 1}, "blood here"),
    ],
)
@pytest.mark.usefixtures("frozen_day")
def test_where_the_blood_of_a_booking_stands_is_read_in_the_list(nurse_client, fit, state, fields, words):
    patient = make_person(fit)
    more = dict(fields)
    booking = make_booking(patient, make_chair(fit.site), on=more.pop("on", date(2026, 6, 8)))
    order = make_order_with_unit(booking)
    BloodOrder.objects.filter(pk=order.pk).update(state=state, order_by=date(2026, 6, 2), **more)
    said = "".join(part.decode() for part in nurse_client.get("/").streaming_content)
    assert words in said
    assert reverse("supply:order", args=[order.number]) in said


def test_blood_that_is_not_confirmed_is_marked_in_the_list_from_the_working_day_before(fit):
    """TODAY is Monday 1 June 2026: the working day before Tuesday, and not yet the one before Wednesday."""
    booking = make_booking(make_person(fit), open_chair(fit.site), on=date(2026, 6, 2))
    order = make_order_with_unit(booking)
    for state, on, words, mark in (
        ("sent", date(2026, 6, 2), "blood not confirmed", "check"),
        ("sent", date(2026, 6, 3), "blood sent for", "half"),
        ("part", date(2026, 6, 3), "blood 1 of 4", "check"),
    ):
        BloodOrder.objects.filter(pk=order.pk).update(state=state, confirmed_units=int(state == "part"))
        type(booking).objects.update(on=on)
        note = rows_of(fit.site)["R001"].blood
        assert (note.words, note.mark) == (words, mark)
