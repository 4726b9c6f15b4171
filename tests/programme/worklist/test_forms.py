"""Forms: typed text is kept, g/dL is read, the impossible refused, the unlikely asked, and each form saves once."""

import re
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest

from patients.models import (
    Antibody,
    BodyMeasure,
    Consent,
    CrossmatchSample,
    Goals,
    LabResult,
    Patient,
    TransfusionNeeds,
)
from programme.core.models import SiteSetting, TrailEntry
from programme.core.numeric.days import read_day
from programme.worklist.forms.reading import TypedMoment
from sessions.facts import rebuild_facts
from sessions.models import ExchangeSession, HaemolysisSign, OtherTransfusion, ResultLink, SessionFacts
from tests import factories
from tests.blood import make_booking, make_open_unit, make_order_with_unit
from tests.factories import TODAY
from tests.forms import opened
from tests.looks import A_LOOK

pytestmark = pytest.mark.usefixtures("frozen_day")


@pytest.fixture
def ada(site):
    return factories.make_patient("SM-042", site=site)


def send(client, address, **changes):
    sent = {name.replace("__", "-"): value for name, value in changes.items()}
    return client.post(address, {**opened(client, address), **sent})


def decide(client, address, **changes):
    """Send goals, look at what they would do, and send them again."""
    sent = {name.replace("__", "-"): value for name, value in changes.items()}
    typed = {**opened(client, address), **sent}
    looked = client.post(address, typed)
    effect = looked.context["page"].extra["effect"] if looked.status_code == 200 else None
    return looked if effect is None else client.post(address, typed | {"seen": effect.token})


def shown(answer):
    return answer.content.decode().replace("&#x27;", "'")


ADD = "/add-person/"
PERSON = "/people/SM-042/person/"
SESSION = "/people/SM-042/session/"
RESULTS = "/people/SM-042/results/"
NEWCOMER = {"patient_ref": "SM-071", "sex": "M", "family_name": "Oduya", "birth_date": "14 Mar 2011", "weight_kg": "58"}
PAPER = {
    "on": "25 May 2026", "weight_kg": "60", "units": "4", "saline_in_ml": "500", "red_cells_in_ml": "1100",
    "blood_out_ml": "1550", "hb_before_g_l": "9.2", "hbs_before_pct": "34", "before_at": "24 May 2026 15:40",
    "hb_after_g_l": "104", "hbs_after_pct": "17", "after_at": "13:10",
}  # fmt: skip


# Reading


@pytest.mark.parametrize(
    "text", ["14 Mar 2011", "14 March 2011", "14/03/2011", "14.3.2011", "2011-03-14", " 14 mar 2011 "]
)
def test_a_day_is_read_in_three_ways(text):
    assert read_day(text) == date(2011, 3, 14)


@pytest.mark.parametrize(
    "text", ["", "14", "31 Feb 2011", "2011-13-01", "14 Mar 11", "14 Mat 2011", "yesterday", "0/0/2011"]
)
def test_what_is_no_day_is_refused(text):
    with pytest.raises(ValueError, match="is not a"):
        read_day(text)


def test_an_hour_that_the_clocks_left_out_is_refused():
    """British clocks went from 01:00 to 02:00 on 29 March 2026 (last Sunday of March, Summer Time Order 2002)."""
    london = ZoneInfo("Europe/London")
    with pytest.raises(ValueError, match="did not exist on that day"):
        TypedMoment(time(1, 30)).in_zone(london, date(2026, 3, 29))
    assert TypedMoment(time(2, 30)).in_zone(london, date(2026, 3, 29)).astimezone(UTC).hour == 1


@pytest.mark.parametrize(
    ("typed", "stands_for"),
    [
        (TypedMoment(time(23, 50)), datetime(2026, 6, 1, 23, 50)),
        (TypedMoment(time(0, 10)), datetime(2026, 6, 2, 0, 10)),
        (TypedMoment(time(0, 30)), datetime(2026, 6, 2, 0, 30)),  # still to come: whoever asks says so
        (TypedMoment(time(23, 50), date(2026, 6, 2)), datetime(2026, 6, 2, 23, 50)),  # a day that was typed stands
    ],
)
def test_a_bare_time_just_after_midnight_is_of_the_evening_before(typed, stands_for):
    london = ZoneInfo("Europe/London")
    now = datetime(2026, 6, 2, 0, 20, tzinfo=london)
    assert typed.about(now, london) == stands_for.replace(tzinfo=london)


# A person


def test_a_person_is_added_with_needs_and_goals_in_one_go(consultant_client):
    answer = send(
        consultant_client, ADD, **NEWCOMER, needs__abo="O", needs__rhd="+", needs__antibody="anti-E",
        needs__found_year="2014", goals__hb_ceiling_g_l="11.0", goals__hbs_ceiling_pct="30",
    )  # fmt: skip
    assert answer.status_code == 302, shown(answer)
    patient = Patient.objects.get(patient_ref="SM-071")
    assert (patient.birth_date, patient.sex) == (date(2011, 3, 14), "M")
    assert BodyMeasure.objects.get(patient=patient).weight_kg == 58
    assert TransfusionNeeds.objects.get(patient=patient).abo == "O"
    assert Antibody.objects.get(patient=patient).name == "anti-E"
    assert Goals.objects.get(patient=patient).hb_ceiling_g_l == 110
    assert "Hb ceiling: 11.0 read as 110 g/L." in shown(consultant_client.get(answer["Location"]))


def test_an_impossible_value_is_refused_named_linked_and_kept(consultant_client):
    answer = send(
        consultant_client, ADD, **{**NEWCOMER, "weight_kg": "580", "untransfused_pct": "62", "genotype": "SS"}
    )
    text = shown(answer)
    assert answer.status_code == 200
    assert not Patient.objects.exists()
    assert '<a href="#id_weight_kg">Weight: 580 is outside what is allowed, a number from 2 to 300 kg.' in text
    assert "What you typed is kept." in text
    assert 'value="580"' in text
    assert 'value="Oduya"' in text
    assert text.count('role="alert"') == 1
    assert "Then look at" in text
    assert "for SS most lie from 75 to 95" in text
    field = re.search(r'<input[^>]*id="id_weight_kg"[^>]*>', text)[0]
    assert 'aria-invalid="true"' in field
    assert "id_weight_kg_fault" in field


def test_an_unlikely_value_is_asked_once_and_taken_when_it_is_right(nurse_client):
    unlikely = {**NEWCOMER, "untransfused_pct": "62", "genotype": "SS"}
    answer = send(nurse_client, ADD, **unlikely)
    assert not Patient.objects.exists()
    assert 'name="right-untransfused_pct" value="62"' in shown(answer)
    send(nurse_client, ADD, **unlikely, **{"right-untransfused_pct": "61"})
    assert not Patient.objects.exists(), "a tick for another text does not count"
    assert send(nurse_client, ADD, **unlikely, **{"right-untransfused_pct": "62"}).status_code == 302
    assert Patient.objects.get().untransfused_pct == 62


def test_a_weight_that_hardly_goes_with_the_height_is_asked_about(nurse_client):
    assert "Weight 6 kg at a height of" in shown(
        send(nurse_client, ADD, **{**NEWCOMER, "weight_kg": "6", "height_cm": "165"})
    )
    assert not Patient.objects.exists()


def test_a_result_that_looks_like_a_share_is_asked_about(nurse_client, ada):
    address = "/people/SM-042/results/"
    text = shown(send(nurse_client, address, taken_on="1 Jun 2026", hbs="0.28"))
    assert "HbS 0.28 % may be a share: 28 %" in text
    assert not LabResult.objects.exists()


def test_a_taken_reference_is_refused_beside_its_field(nurse_client, ada):
    text = shown(send(nurse_client, ADD, **{**NEWCOMER, "patient_ref": "SM-042"}))
    assert "This reference belongs to another person of this site." in text
    assert Patient.objects.count() == 1


def test_a_person_and_all_parts_are_written_or_none(consultant_client):
    answer = send(consultant_client, ADD, **NEWCOMER, goals__since="14 Mar 2011", needs__antibody="x" * 41)
    assert answer.status_code == 200
    assert not Patient.objects.exists()


def test_sending_a_form_twice_saves_once(nurse_client):
    sent = {**opened(nurse_client, ADD), **NEWCOMER}
    first, second = nurse_client.post(ADD, sent), nurse_client.post(ADD, sent)
    assert first.status_code == second.status_code == 302
    assert first["Location"] == second["Location"]
    assert Patient.objects.count() == 1
    assert nurse_client.post(ADD, {**sent, "receipt": ""}).status_code == 200
    assert Patient.objects.count() == 1


def test_a_form_without_its_key_is_told_so(nurse_client, ada):
    text = shown(send(nurse_client, PERSON, receipt="", given_name="Bo"))
    assert "lost its one-time key" in text
    ada.refresh_from_db()
    assert ada.given_name == "Ada"


def test_edited_meanwhile_shows_both_values_and_overwrites_only_when_sent_again(nurse_client, ada):
    mine = {**opened(nurse_client, PERSON), "given_name": "Mine", "language": "Welsh"}
    assert send(nurse_client, PERSON, given_name="Theirs").status_code == 302
    answer = nurse_client.post(PERSON, mine)
    text = shown(answer)
    ada.refresh_from_db()
    assert ada.given_name == "Theirs"
    assert "was changed by someone else after you opened it" in text
    assert "<td>Theirs</td><td>Mine</td>" in text
    version = answer.context["page"].forms[0]["version"].value()
    assert nurse_client.post(PERSON, {**mine, "version": version}).status_code == 302
    ada.refresh_from_db()
    assert (ada.given_name, ada.language) == ("Mine", "Welsh")


def test_every_change_makes_what_was_reckoned_stale_and_is_in_the_trail(nurse_client, ada):
    send(nurse_client, "/people/SM-042/measure/", on="1 Jun 2026", weight_kg="61")
    before = ada.data_version
    ada.refresh_from_db()
    assert ada.data_version == before + 1
    assert TrailEntry.objects.filter(patient_key=ada.pk, action="record measure").count() == 1


def test_a_weight_jump_is_asked_about(nurse_client, ada):
    text = shown(send(nurse_client, "/people/SM-042/measure/", on="1 Jun 2026", weight_kg="80"))
    assert "80 kg: the last one recorded is 60 kg" in text
    assert BodyMeasure.objects.count() == 1


def test_standing_is_decided_by_a_consultant_with_a_reason_and_a_day_of_review(consultant_client, nurse_client, ada):
    address = "/people/SM-042/standing/"
    assert nurse_client.get(address).status_code == 403
    assert "Why is needed" in shown(send(consultant_client, address, standing="paused"))
    paused = {"standing": "paused", "standing_reason": "abroad"}
    assert "A pause needs a day" in shown(send(consultant_client, address, **paused))
    assert send(consultant_client, address, **paused, standing_review_on="2026-08-03").status_code == 302
    ada.refresh_from_db()
    assert (ada.standing, ada.standing_reason, ada.standing_review_on) == ("paused", "abroad", date(2026, 8, 3))


def test_leaving_names_its_reason(consultant_client, ada):
    address = "/people/SM-042/standing/"
    left = {"standing": "left", "standing_reason": "moved to the coast"}
    assert "Choose why they left" in shown(send(consultant_client, address, **left))
    assert send(consultant_client, address, **left, left_because="transfer").status_code == 302
    ada.refresh_from_db()
    assert (ada.standing, ada.left_because) == ("left", "transfer")


@pytest.mark.parametrize(
    "how",
    [{"standing": "left", "left_because": "transplant"}, {"standing": "paused", "standing_review_on": "2026-08-03"}],
)
def test_places_and_orders_that_stay_open_are_named_when_somebody_leaves_or_pauses(
    consultant_client, coordinator, site, ada, how
):
    booking = make_booking(ada, make_open_unit(site), by=coordinator)
    order = make_order_with_unit(booking)
    answer = send(consultant_client, "/people/SM-042/standing/", **how, standing_reason="went well")
    said = shown(consultant_client.get(answer["Location"]))
    assert f"Still open for them: the place of Fri 12 Jun 2026, 09:00; order {order.number} (4 units, arrived)." in said
    assert "Cancel each place and release each order" in said


def test_what_a_pause_would_do_is_said_before_it_is_saved(consultant_client, ada):
    """Forecast by hand: 18 + 0.6 a day from 4 May passes 30 after day 20, on 25 May; today, 1 June, it is over already.

    With a ceiling of 45 it is day 46 for the middle, 18 + 27 on day 45. The upper tenth lies 1.3 · (1 + day/20) higher:
    45.2 on day 39.
    """
    address = "/people/SM-042/standing/"
    assert "Nothing can be forecast for them at present." in shown(consultant_client.get(address))
    factories.make_forecast(ada)
    assert "HbS is likely over 30 % already" in shown(consultant_client.get(address))
    factories.make_goals(ada, since=TODAY, hbs_ceiling_pct=45)
    said = shown(consultant_client.get(address))
    assert "expected to pass 45 % about Fri 19 Jun, in one of ten from Fri 12 Jun" in said
    assert "by Mon 27 Jul it would stand at 68 (62 to 75) %" in said


def test_nothing_is_named_where_nothing_stays_open(consultant_client, ada):
    sent = {"standing": "left", "left_because": "transfer", "standing_reason": "moved"}
    answer = send(consultant_client, "/people/SM-042/standing/", **sent)
    assert "Still open" not in shown(consultant_client.get(answer["Location"]))


# Goals and needs


def test_new_goals_stand_beside_the_old_ones(consultant_client, consultant, ada):
    answer = decide(
        consultant_client, "/people/SM-042/goals/", hbs_ceiling_pct="35", accepted_chance="5", clinic_days=["0", "3"],
        hb_floor_g_l="8.5", usual_interval_days="28",
    )  # fmt: skip
    assert answer.status_code == 302, shown(answer)
    old, new = Goals.objects.order_by("pk")
    assert (old.hbs_ceiling_pct, new.hbs_ceiling_pct) == (30, 35)
    assert (new.accepted_chance, new.clinic_days, new.hb_floor_g_l, new.usual_interval_days) == (0.05, "0,3", 85, 28)
    assert (new.since, new.decided_by) == (TODAY, consultant)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"hbs_ceiling_pct": "50"}, "A ceiling of 50 % or more needs a reason."),
        ({"hbs_ceiling_pct": "65"}, "a number from 20 to 60 %"),
        ({"shortest_interval_days": "60"}, "cannot be longer than the longest"),
        ({"end_target_hbs_pct": "30"}, "must lie under the ceiling"),
        ({"units_most": "2.5"}, "is not a whole number"),
        ({"hb_ceiling_g_l": "14"}, "90 to 130 g/L (or 9 to 13 g/dL)"),
    ],
)
def test_goals_that_cannot_stand_are_refused(consultant_client, ada, changes, says):
    text = shown(send(consultant_client, "/people/SM-042/goals/", **changes))
    assert says in text
    assert Goals.objects.count() == 1


def test_a_choice_taken_on_the_course_is_filled_in_and_counts_once_sent(consultant_client, ada):
    address = "/people/SM-042/goals/?usual_interval_days=35&end_target_hbs_pct=12.5"
    text = shown(consultant_client.get(address))
    assert 'value="35"' in text
    assert Goals.objects.count() == 1
    assert decide(consultant_client, address, reason="fewest visits").status_code == 302
    assert Goals.objects.get(usual_interval_days=35).end_target_hbs_pct == 12.5


def test_a_high_ceiling_is_asked_about_even_with_a_reason(consultant_client, ada):
    changes = {"hbs_ceiling_pct": "50", "reason": "stable for three years"}
    assert "most here have 30" in shown(send(consultant_client, "/people/SM-042/goals/", **changes))
    right = {"right-hbs_ceiling_pct": "50"}
    assert decide(consultant_client, "/people/SM-042/goals/", **changes, **right).status_code == 302


def test_an_antibody_is_added_beside_the_needs(nurse_client, ada):
    factories.make_needs(ada)
    address = "/people/SM-042/blood/"
    assert send(nurse_client, address, antibody="anti-Jk(b)", found_year="2021", own_type="D+").status_code == 302
    assert Antibody.objects.get().found_year == 2021
    assert TransfusionNeeds.objects.get().own_type == "D+"
    assert "Antibodies ever found: anti-Jk(b) 2021." in shown(nurse_client.get(address))
    assert "This antibody is recorded already" in shown(send(nurse_client, address, antibody="anti-Jk(b)"))


# Sessions


def test_a_session_from_paper_is_recorded_with_its_results(nurse_client, ada):
    answer = send(nurse_client, SESSION, **PAPER)
    assert answer.status_code == 302, shown(answer)
    session = ExchangeSession.objects.get()
    assert (session.on, session.units, session.blood_out_ml, session.state) == (date(2026, 5, 25), 4, 1550, "closed")
    found = {(link.position, link.result.analyte): link.result for link in ResultLink.objects.select_related("result")}
    assert {place: row.value for place, row in found.items()} == {
        ("before", "718-7"): 92, ("before", "4625-0"): 34, ("after", "718-7"): 104, ("after", "4625-0"): 17,
    }  # fmt: skip
    # 15:40 and 13:10 in British Summer Time
    assert found["before", "718-7"].taken_at == datetime(2026, 5, 24, 14, 40, tzinfo=UTC)
    assert found["after", "718-7"].taken_at == datetime(2026, 5, 25, 12, 10, tzinfo=UTC)
    assert "Hb before: 9.2 read as 92 g/L." in shown(nurse_client.get(answer["Location"]))


def test_steps_give_the_totals(nurse_client, ada):
    steps = {
        "s1__fluid": "saline", "s1__in_ml": "300", "s1__out_ml": "300", "s2__fluid": "red_cells", "s2__in_ml": "540",
        "s2__out_ml": "500", "s2__cells_hb_g_l": "19",
    }  # fmt: skip
    totals = {"saline_in_ml": "", "red_cells_in_ml": "", "blood_out_ml": "", "units": "2"}
    assert send(nurse_client, SESSION, **{**PAPER, **totals}, **steps).status_code == 302
    session = ExchangeSession.objects.get()
    assert (session.saline_in_ml, session.red_cells_in_ml, session.blood_out_ml) == (300, 540, 800)
    assert session.steps.get(number=2).cells_hb_g_l == 190
    other = {**PAPER, "on": "20 May 2026", "before_at": "", "after_at": "", **totals, "blood_out_ml": "900"}
    wrong = send(nurse_client, SESSION, **other, **steps)
    assert "The steps add up to 800 mL, but 900 mL is entered as total" in shown(wrong)


def test_more_steps_are_offered_without_saving(nurse_client, ada):
    sent = {**opened(nurse_client, SESSION), **PAPER, "more": "yes"}
    answer = nurse_client.post(SESSION, sent)
    assert len(answer.context["page"].extra["steps"]) == 8
    assert 'value="24 May 2026 15:40"' in shown(answer)
    assert not ExchangeSession.objects.exists()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"on": "2 Jun 2026"}, "2 Jun 2026 is in the future"),
        ({"on": "31 Feb 2026"}, "is not a day of the calendar"),
        ({"hbs_before_pct": "134"}, "a number from 0 to 100 %"),
        ({"hb_before_g_l": "25"}, "30 to 200 g/L (or 3 to 20 g/dL)"),
        ({"blood_out_ml": "inf"}, "is not a number from 0 to 8000 mL"),
        ({"before_at": "quarter past"}, "is not a time. Write 07:20"),
        ({"after_at": "24 May 2026 15:00"}, "cannot be taken before the sample before"),
        ({"started": "13:00", "ended": "12:00"}, "cannot end before it starts"),
        ({"s1__in_ml": "300"}, "Say which fluid was given"),
    ],
)
def test_a_session_that_cannot_be_is_refused(nurse_client, ada, changes, says):
    text = shown(send(nurse_client, SESSION, **{**PAPER, **changes}))
    assert says in text
    assert "Not saved:" in text
    assert not ExchangeSession.objects.exists()
    assert not LabResult.objects.exists()


@pytest.mark.parametrize(
    ("changes", "name", "says"),
    [
        ({"hbs_after_pct": "36"}, "hbs_after_pct", "HbS rose from 34 to 36 %"),
        ({"weight_kg": "72"}, "weight_kg", "the last one recorded is 60 kg"),
        ({"red_cells_in_ml": "3000"}, "red_cells_in_ml", "a unit holds 150 to 400 mL"),
        ({"hb_before_g_l": "4.1"}, "hb_before_g_l", "41 g/L: rare in these people"),
        ({"before_at": "20 May 2026 09:00"}, "before_at", "More than four days before"),
        ({"hbs_after_pct": "0.14"}, "hbs_after_pct", "HbS 0.14 % may be a share: 14 %"),
        ({"blood_out_ml": "1.5"}, "blood_out_ml", "more in than out: an exchange keeps volume about level"),
    ],
)
def test_what_is_unlikely_in_a_session_is_asked(nurse_client, ada, changes, name, says):
    text = shown(send(nurse_client, SESSION, **{**PAPER, **changes}))
    assert says in text
    assert not ExchangeSession.objects.exists()
    assert send(nurse_client, SESSION, **{**PAPER, **changes}, **{f"right-{name}": changes[name]}).status_code == 302


def test_two_sessions_on_one_day_are_refused(nurse_client, ada):
    factories.make_exchange_session(ada, on=date(2026, 5, 25))
    assert "already has an exchange session on this day" in shown(send(nurse_client, SESSION, **PAPER))


def test_a_session_is_corrected_with_a_reason_and_its_results_follow(nurse_client, ada):
    session = factories.make_exchange_session(ada, on=date(2026, 5, 4))
    address = f"{SESSION}{session.pk}/"
    assert "is needed" in shown(send(nurse_client, address, units="5"))
    answer = send(nurse_client, address, units="5", hbs_after_pct="19", hb_after_g_l="", why="read off the wrong line")
    assert answer.status_code == 302, shown(answer)
    session.refresh_from_db()
    assert session.units == 5
    in_force = LabResult.objects.in_force().order_by("pk")
    assert sorted(row.value for row in in_force) == [19, 45, 92]
    assert LabResult.objects.filter(status="withdrawn").count() == 1


def test_hbc_is_asked_for_in_sc_disease_only(nurse_client, ada):
    assert "HbC before" not in shown(nurse_client.get(SESSION))
    Patient.objects.update(genotype="SC")
    assert "HbC before" in shown(nurse_client.get(SESSION))


# Results, transfusions, follow-up


def test_results_of_one_sample_go_in_together(nurse_client, ada):
    answer = send(nurse_client, RESULTS, taken_at="07:20", hb="8.4", hbs="30.4", ferritin="2100", method="HPLC")
    assert answer.status_code == 302, shown(answer)
    rows = {row.get_analyte_display(): row for row in LabResult.objects.all()}
    assert {name: row.value for name, row in rows.items()} == {"Hb": 84, "HbS": 30.4, "ferritin": 2100}
    assert {row.taken_at for row in rows.values()} == {datetime(2026, 6, 1, 6, 20, tzinfo=UTC)}
    assert rows["HbS"].method == "HPLC"


def test_a_sample_of_unknown_time_says_so(nurse_client, ada):
    send(nurse_client, RESULTS, hbs="30.4")
    assert LabResult.objects.get().time_known is False


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({}, "Enter at least one result."),
        ({"hbs": "60", "hba": "55"}, "add up to 115 %"),
        ({"hb": "84", "taken_on": "2 Jun 2026"}, "is in the future"),
        ({"hct": "28"}, "a number from 0.05 to 0.75 L/L"),
    ],
)
def test_results_that_cannot_be_are_refused(nurse_client, ada, changes, says):
    assert says in shown(send(nurse_client, RESULTS, **changes))
    assert not LabResult.objects.exists()


def test_a_result_is_corrected_and_then_withdrawn_never_overwritten(nurse_client, ada):
    wrong = factories.make_result(ada, analyte="718-7", value=102)
    assert send(nurse_client, f"{RESULTS}{wrong.pk}/", value="9.4", why="typed wrongly").status_code == 302
    right = LabResult.objects.in_force().get()
    assert (right.value, right.supersedes_id, right.why) == (94, wrong.pk, "typed wrongly")
    assert "corrected or withdrawn already" in shown(
        send(nurse_client, f"{RESULTS}{wrong.pk}/", value="95", why="again")
    )
    assert send(nurse_client, f"{RESULTS}{right.pk}/withdraw/", why="other person's tube").status_code == 302
    assert not LabResult.objects.in_force().exists()
    text = shown(nurse_client.get("/people/SM-042/records/"))
    assert "corrected since: typed wrongly" in text
    assert "withdrawn: other person's tube" in text


def test_a_transfusion_elsewhere_is_recorded_and_withdrawn(nurse_client, ada):
    address = "/people/SM-042/transfusion/"
    assert "nobody knows how much" in shown(send(nurse_client, address, on="20 May 2026", where="elsewhere"))
    sent = {"on": "20 May 2026", "where": "elsewhere", "amount_unknown": "on"}
    assert "leave one of the two" in shown(send(nurse_client, address, **sent, units="2"))
    assert send(nurse_client, address, **sent).status_code == 302
    given = OtherTransfusion.objects.get()
    assert (given.elsewhere, given.amount_known) == (True, False)
    assert send(nurse_client, f"{address}{given.pk}/withdraw/", why="another person").status_code == 302
    given.refresh_from_db()
    assert given.withdrawn_reason == "another person"
    assert nurse_client.get(f"{address}{given.pk}/withdraw/").status_code == 404


def test_signs_are_noted_each_with_who_noticed(nurse_client, nurse, ada):
    address = "/people/SM-042/follow-up/"
    assert "What was noticed is needed" in shown(send(nurse_client, address))
    assert send(nurse_client, address, signs=["dark_urine", "fever"], note="called back").status_code == 302
    assert sorted(HaemolysisSign.objects.values_list("sign", "noted_by")) == [
        ("dark_urine", nurse.pk),
        ("fever", nurse.pk),
    ]


# Settings


def test_settings_show_default_range_ground_and_who_decided(nurse_client, site, consultant):
    factories.make_site_setting(site=site, name="unit_hb_g", value=54, by=consultant, reason="measured in May")
    text = shown(nurse_client.get("/settings/"))
    assert "<b>54</b>" in text
    assert "40 to 80" in text
    assert "at least 40 by Directive 2004/33/EC" in text
    assert f"{consultant.full_name}: measured in May" in text
    assert "Change haemoglobin" not in text


def test_a_consultant_changes_a_setting_with_a_reason_and_every_plan_is_stale(consultant_client, consultant, ada):
    address = "/settings/unit_hb_g/"
    assert "a number from 40 to 80 g" in shown(send(consultant_client, address, value="90", reason="new"))
    assert "Why is needed" in shown(send(consultant_client, address, value="54"))
    assert "50 is in force already" in shown(send(consultant_client, address, value="50", reason="same"))
    mine = {**opened(consultant_client, address), "value": "55", "reason": "mine"}
    assert send(consultant_client, address, value="54", reason="measured").status_code == 302
    assert "Somebody changed it to 54 meanwhile" in shown(consultant_client.post(address, mine))
    row = SiteSetting.objects.get()
    assert (row.value, row.by, row.reason) == (54, consultant, "measured")
    said = TrailEntry.objects.get(action="change setting")
    assert (said.before["value"], said.after["value"], said.why) == (50, 54, "measured")
    before = ada.data_version
    ada.refresh_from_db()
    assert ada.data_version == before + 1
    assert consultant_client.get("/settings/nonsense/").status_code == 404


def test_a_setting_that_past_facts_rest_on_reckons_them_anew(consultant_client, ada):
    done = factories.make_exchange_session(
        ada, on=date(2026, 5, 4), units=4, saline_in_ml=400, red_cells_in_ml=1032, blood_out_ml=1400
    )
    rebuild_facts([ada.pk], factories.NOW)
    before = SessionFacts.objects.get(exchange_session=done).net_iron_mg
    send(consultant_client, "/settings/unit_hb_g/", value="54", reason="measured")
    assert SessionFacts.objects.get(exchange_session=done).net_iron_mg > before + 20


# Who may, and how many questions a page asks


@pytest.mark.parametrize(
    "address",
    [PERSON, SESSION, RESULTS, "/people/SM-042/records/", "/people/SM-042/blood/", "/people/SM-042/follow-up/"],
)
def test_a_person_of_another_site_does_not_exist(elsewhere_client, ada, address):
    assert elsewhere_client.get(address).status_code == 404


def test_a_result_of_another_person_is_not_reached_through_this_one(nurse_client, site, ada):
    other = factories.make_result(factories.make_patient("SM-043", site=site))
    assert nurse_client.get(f"{RESULTS}{other.pk}/").status_code == 404
    session = factories.make_exchange_session(Patient.objects.get(patient_ref="SM-043"))
    assert nurse_client.get(f"{SESSION}{session.pk}/").status_code == 404


def test_roles_meet_the_matrix(nurse_client, coordinator_client, ada):
    assert nurse_client.get("/people/SM-042/goals/").status_code == 403
    assert nurse_client.get("/settings/unit_hb_g/").status_code == 403
    for address in (SESSION, RESULTS, "/people/SM-042/blood/", "/people/SM-042/follow-up/"):
        assert coordinator_client.get(address).status_code == 403
    assert coordinator_client.get(PERSON).status_code == 200


@pytest.mark.parametrize("rows", [1, 3])
def test_records_ask_the_same_number_of_queries(nurse_client, ada, django_assert_num_queries, rows):
    for n in range(rows):
        factories.make_exchange_session(ada, on=date(2026, 3 + n, 4))
        factories.make_haemolysis_sign(ada)
        factories.make_other_transfusion(ada)
        factories.make_goals(ada)
    with django_assert_num_queries(22 + A_LOOK):
        nurse_client.get("/people/SM-042/records/")


@pytest.mark.parametrize("rows", [1, 3])
def test_settings_ask_the_same_number_of_queries(nurse_client, site, django_assert_num_queries, rows):
    for name in ("unit_hb_g", "units_most", "draw_size_ml")[:rows]:
        factories.make_site_setting(
            site=site, name=name, value=45 if name == "unit_hb_g" else 60 if name == "draw_size_ml" else 9
        )
    with django_assert_num_queries(5):
        nurse_client.get("/settings/")


def test_records_list_past_consents_and_crossmatch_samples(nurse_client, ada):
    Consent.objects.create(
        patient=ada, given_on=date(2025, 1, 6), valid_until=date(2026, 1, 6), given_by="R. Marsh",
        withdrawn_on=date(2025, 5, 2), withdrawn_reason="signed for another person",
    )  # fmt: skip
    CrossmatchSample.objects.create(patient=ada, taken_at=factories.NOW, note="left arm", withdrawn_reason="unreadable")
    said = nurse_client.get("/people/SM-042/records/").content.decode()
    assert "R. Marsh withdrawn on 2 May 2025: signed for another person" in said
    assert "left arm withdrawn: unreadable" in said
