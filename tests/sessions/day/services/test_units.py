"""Units at the chair: everything that is refused, who signs, and what is kept."""

from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from patients.models import CrossmatchSample
from patients.services import record_consent, withdraw_consent
from programme.core.models import EditedMeanwhile, TrailEntry
from sessions.day.models import Entry
from sessions.day.queries import plan_carried_out, tally_of
from sessions.day.services.entering import add_entry
from sessions.day.services.giving import end_unit, put_away, start_unit, take_back
from sessions.day.services.reacting import stop_for_reaction
from sessions.day.services.units import AtTheChair, Label, add_unit, check_unit, record_refusal
from sessions.models import DonationUnit
from tests.factories import (
    NOW,
    TODAY,
    make_antibody,
    make_entry,
    make_exchange_session,
    make_haemolysis_sign,
    make_lock_lift,
    make_needs,
    make_other_transfusion,
    make_patient,
    make_planned_session,
    make_prescription,
    make_site_setting,
    make_unit,
    make_user,
)

pytestmark = pytest.mark.django_db

NUMBER, OTHER_NUMBER = "Z999026000417", "Z999026000422"
MINUTE = timedelta(minutes=1)
GOOD = Label(
    NUMBER, "O", "+", date(2026, 6, 20), negative=frozenset({"C", "E", "K"}), hbs_negative=True, volume_ml=258,
    product_code="E0336V00",
)  # fmt: skip


@pytest.fixture
def patient(site):
    patient = make_patient("R1", site=site)
    make_needs(patient)
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
    return patient


@pytest.fixture
def running(patient, consultant):
    running = make_exchange_session(
        patient, on=TODAY, state="running", origin="here", started_at=NOW, hbs_after_pct=None, hb_after_g_l=None
    )
    make_prescription(running, signed_by=consultant)
    return running


@pytest.fixture
def second(site):
    return make_user(site=site, username="second.nurse", full_name="Rowan Marsh")


@pytest.fixture
def bring(running, nurse):
    def bring(label=GOOD, out=NOW, at=NOW, session=None):
        return add_unit(exchange_session=session or running, label=label, out_of_storage_at=out, actor=nurse, at=at)

    return bring


@pytest.fixture
def check(nurse):
    keys = iter(f"check-{n}" for n in range(100))

    def check(unit, *, actor=nurse, at=NOW, asked=True, wristband="R1", number=None, **more):
        chair = AtTheChair(asked, wristband, number or unit.donation_number)
        return check_unit(unit=unit, version=unit.version, key=next(keys), chair=chair, actor=actor, at=at, **more)

    return check


@pytest.fixture
def start(nurse):
    keys = iter(f"start-{n}" for n in range(100))

    def start(unit, *, at=NOW + MINUTE, **more):
        return start_unit(unit=unit, version=unit.version, key=next(keys), actor=nurse, at=at, **more)

    return start


def refusal(call, *args, **more):
    with pytest.raises(ValidationError) as refused:
        call(*args, **more)
    return " ".join(refused.value.messages)


def kinds():
    return list(Entry.objects.order_by("number").values_list("kind", flat=True))


# Brought to the chair


def test_a_unit_comes_to_the_first_free_place_of_the_plan(bring):
    first, second = bring(), bring(replace(GOOD, donation_number=OTHER_NUMBER))
    assert (first.place, second.place, first.state) == (1, 2, "at_chair")
    assert first.antigens_negative == "C, E, K"
    assert TrailEntry.objects.filter(action="bring unit", row_key=first.pk).count() == 1


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"abo": "A"}, "Wrong group: the unit is A, allowed is O"),
        ({"negative": frozenset({"C", "E"})}, "Must be negative, and is not stated for this unit: K"),
        ({"negative": frozenset({"C", "E"}), "positive": frozenset({"K"})}, "The unit is K positive"),
        ({"hbs_negative": None}, "HbS must be negative, and is not stated"),
        ({"hbs_negative": False}, "from a donor with HbS"),
        ({"expires_on": date(2026, 5, 31)}, "Expired on 31 May 2026"),
        ({"expires_on": TODAY, "expires_at": time(9, 30)}, "Expired on 1 Jun 2026"),  # it is 10:00 in London
    ],
)
def test_a_unit_that_is_wrong_for_this_person_is_stopped_with_what_differs(bring, wrong, words):
    assert words in refusal(bring, replace(GOOD, **wrong))
    assert not DonationUnit.objects.exists()
    assert not Entry.objects.exists()


def test_a_unit_may_be_used_to_the_minute_of_its_expiry(bring):
    assert bring(replace(GOOD, expires_on=TODAY, expires_at=time(10, 0))).place == 1
    assert bring(replace(GOOD, donation_number=OTHER_NUMBER, expires_on=TODAY)).place == 2


def test_all_that_is_wrong_comes_at_once(bring):
    said = refusal(bring, replace(GOOD, abo="AB", hbs_negative=None, expires_on=date(2020, 1, 1)))
    assert "Wrong group" in said
    assert "HbS" in said
    assert "Expired" in said


def test_every_antibody_ever_found_counts_even_one_found_elsewhere(bring, patient):
    make_antibody(patient, "anti-Jk(b)", found_year=2011, found_elsewhere=True)
    assert "Jkb (anti-Jk(b) was found)" in refusal(bring)
    assert bring(replace(GOOD, negative=GOOD.negative | {"Jkb"})).place == 1


def test_a_d_negative_person_gets_no_d_positive_unit(bring, patient):
    patient.needs.rhd = "-"
    patient.needs.save()
    assert "Wrong D type" in refusal(bring)


def test_a_person_without_recorded_needs_gets_no_unit(bring, patient):
    patient.needs.delete()
    assert "group is not recorded" in refusal(bring)


@pytest.mark.parametrize("state", ["at_chair", "checked", "running", "given", "discarded"])
def test_a_unit_that_is_used_elsewhere_is_refused_without_saying_for_whom(bring, site, state):
    other = make_patient("R2", site=site, family_name="Somebody")
    there = make_exchange_session(other, on=date(2026, 5, 30), hbs_after_pct=None)
    make_unit(there, donation_number=NUMBER, product_code="E0336V00", state=state, end_reason="a reason")
    said = refusal(bring)
    assert "is recorded already for another person, 30 May 2026" in said
    assert "Somebody" not in said
    assert "R2" not in said


def test_of_two_chairs_that_are_brought_one_unit_at_the_same_moment_one_is_refused(bring, patient, monkeypatch):
    """The other chair's row appears between looking and saving; only the database sees it."""
    there = make_exchange_session(patient, on=date(2026, 5, 30), hbs_after_pct=None)
    make_unit(there, donation_number=NUMBER, product_code="E0336V00", state="at_chair")
    monkeypatch.setattr("sessions.day.services.units.other_use", lambda *args, **more: None)
    monkeypatch.setattr(DonationUnit, "full_clean", lambda unit: None)
    assert "brought to another chair at this moment" in refusal(bring)
    assert DonationUnit.objects.count() == 1


def test_a_unit_that_was_returned_may_come_again(bring, patient):
    there = make_exchange_session(patient, on=date(2026, 5, 30), hbs_after_pct=None)
    make_unit(there, donation_number=NUMBER, product_code="E0336V00", state="returned", end_reason="not needed")
    assert bring().state == "at_chair"


def test_two_products_of_one_donation_are_two_units_but_one_without_a_code_is_the_same(bring):
    bring()
    assert bring(replace(GOOD, product_code="E0336VB0")).place == 2
    assert "recorded already in this session" in refusal(bring)
    assert "recorded already in this session" in refusal(bring, replace(GOOD, product_code=""))


@pytest.mark.parametrize("state", ["planned", "finished", "closed"])
def test_no_unit_comes_before_the_plan_is_signed_or_after_the_end(bring, patient, state):
    session = make_planned_session(patient, on=date(2026, 6, 2), state=state)
    assert f"This session is {state}" in refusal(bring, session=session)


def test_a_time_out_of_storage_that_is_still_to_come_is_refused(bring):
    assert "still to come" in refusal(bring, out=NOW + MINUTE)


def test_a_stopped_unit_is_kept_in_the_trail(running, nurse):
    record_refusal(exchange_session=running, donation_number=NUMBER, sentences=["Wrong group."], actor=nurse, at=NOW)
    entry = TrailEntry.objects.get(action="unit stopped")
    assert entry.after == {"donation_number": NUMBER, "why": ["Wrong group."]}
    assert entry.patient_key == running.patient_id


# Checked


def test_two_people_at_one_screen_check_a_unit(bring, check, nurse, second):
    unit = check(bring(), second=second)
    assert (unit.state, unit.first_checker, unit.second_checker, unit.checked_at) == ("checked", nurse, second, NOW)
    entry = Entry.objects.get()
    assert entry.kind == "unit_checked"
    assert entry.body["as"] == "both"
    assert entry.body["donation_number"] == NUMBER


def test_two_people_check_one_after_the_other_with_their_own_sign_in(bring, check, nurse, second):
    unit = check(bring())
    assert (unit.state, unit.first_checker, unit.second_checker) == ("at_chair", nurse, None)
    unit = check(unit, actor=second, at=NOW + MINUTE)
    assert (unit.state, unit.second_checker, unit.checked_at) == ("checked", second, NOW + MINUTE)
    assert [entry.body["as"] for entry in Entry.objects.order_by("number")] == ["first", "second"]


def test_one_person_cannot_be_both_checkers(bring, check, nurse):
    unit = bring()
    assert "another person" in refusal(check, unit, second=nurse)
    unit = check(unit)
    assert "You made the first check" in refusal(check, unit)
    assert "another person" in refusal(check, unit, second=nurse)
    assert DonationUnit.objects.get().state == "at_chair"


@pytest.mark.parametrize(
    ("at_chair", "words"),
    [
        ({"wristband": "R2"}, "The wristband says R2, this page is R1: not the same person"),
        ({"wristband": " "}, "Scan the wristband"),
        ({"asked": False}, "Ask the person for name and birth date"),
        ({"number": OTHER_NUMBER}, "In your hand is Z9990 26 000422, this page is unit 1, Z9990 26 000417"),
    ],
)
def test_the_wrong_person_or_the_wrong_bag_in_the_hand_stops_the_check(bring, check, second, at_chair, words):
    unit = bring()
    assert words in refusal(check, unit, second=second, **at_chair)
    assert not Entry.objects.exists()
    unit.refresh_from_db()
    assert (unit.state, unit.first_checker) == ("at_chair", None)


def test_a_coordinator_or_somebody_elsewhere_is_no_second_checker(bring, check, coordinator, nurse_elsewhere):
    unit = bring()
    for user in (coordinator, nurse_elsewhere):
        with pytest.raises(PermissionDenied):
            check(unit, second=user)


def test_a_site_may_ask_for_one_check(bring, check, site, nurse):
    make_site_setting(site=site, name="checkers_needed", value=1)
    unit = check(bring())
    assert (unit.state, unit.first_checker, unit.second_checker) == ("checked", nurse, None)


def test_in_an_emergency_one_person_checks_with_a_reason_that_stays(bring, check):
    unit = check(bring(), emergency_reason="no second person on the unit, bleeding")
    assert (unit.state, unit.second_checker) == ("checked", None)
    assert unit.emergency_reason == "no second person on the unit, bleeding"
    assert Entry.objects.get().why == unit.emergency_reason
    assert Entry.objects.get().body["as"] == "alone"


def test_a_first_checker_left_alone_may_go_on_with_a_reason(bring, check):
    unit = check(check(bring()), emergency_reason="second called away")
    assert (unit.state, unit.emergency_reason) == ("checked", "second called away")


def test_an_antibody_found_between_bringing_and_checking_stops_the_check(bring, check, patient, second):
    unit = bring()
    make_antibody(patient, "anti-S")
    assert "S (anti-S was found)" in refusal(check, unit, second=second)


def test_a_checked_unit_is_not_checked_again(bring, check, second):
    unit = check(bring(), second=second)
    assert "is checked" in refusal(check, unit, second=second)


def test_a_unit_changed_meanwhile_is_not_overwritten(bring, check, second):
    unit = bring()
    stale = DonationUnit.objects.get(pk=unit.pk)
    check(unit)
    with pytest.raises(EditedMeanwhile):
        check(stale, actor=second)


# Started and ended


def test_a_checked_unit_is_started_and_ended_in_row_entry_and_tally(bring, check, start, running, nurse, second):
    unit = start(check(bring(), second=second))
    assert (unit.state, unit.started_at) == ("running", NOW + MINUTE)
    unit = end_unit(unit=unit, version=unit.version, key="e", actor=nurse, at=NOW + 40 * MINUTE)
    assert (unit.state, unit.ended_at) == ("given", NOW + 40 * MINUTE)
    assert kinds() == ["unit_checked", "unit_started", "unit_ended"]
    times = tally_of(running).units[1]
    assert (times.started_at, times.ended_at) == (unit.started_at, unit.ended_at)


def test_an_unchecked_unit_is_not_started(bring, start):
    assert "only a checked unit is started" in refusal(start, bring())


@pytest.mark.parametrize("state", ["authorised", "finished"])
def test_a_unit_is_started_only_while_the_session_runs(bring, check, start, running, second, state):
    unit = check(bring(), second=second)
    running.state = state
    running.save()
    assert f"This session is {state}" in refusal(start, unit)


def test_no_unit_is_started_while_the_run_is_paused(bring, check, start, running, nurse, second):
    unit = check(bring(), second=second)
    stop_for_reaction(exchange_session=running, key="s", actor=nurse, at=NOW)
    assert "The run is paused" in refusal(start, unit)
    said = {"words": "Dr Calloway: go on"}
    add_entry(exchange_session=running, key="r", kind="resume", body=said, actor=nurse, at=NOW)
    assert start(unit).state == "running"


def test_one_unit_is_given_at_a_time(bring, check, start, second):
    start(check(bring(), second=second))
    other = check(bring(replace(GOOD, donation_number=OTHER_NUMBER)), second=second)
    assert "Unit 1 is being given: end it first" in refusal(start, other)


def test_an_open_sign_of_haemolysis_bars_red_cells_until_a_consultant_lifts_it(
    bring, check, start, patient, second, consultant
):
    unit = check(bring(), second=second)
    make_haemolysis_sign(patient, on=TODAY, noted_at=NOW)
    assert "A sign of haemolysis is open" in refusal(start, unit)
    make_lock_lift(patient, by=consultant, on=TODAY, at=NOW + MINUTE)
    assert start(unit).state == "running"


def test_a_unit_that_no_step_of_the_plan_gives_is_not_started(bring, check, start, running, second):
    """Its volume could not be entered afterwards; one more unit is a change that a prescriber signs."""
    unit = bring()
    beyond = 1 + max(place for step in plan_carried_out(running).steps for place in step["units"])
    DonationUnit.objects.filter(pk=unit.pk).update(place=beyond)
    unit.refresh_from_db()
    unit = check(unit, second=second)
    assert f"No step of the plan gives unit {beyond}" in refusal(start, unit)
    assert DonationUnit.objects.get(pk=unit.pk).state == "checked"


def test_the_sample_must_be_valid_at_the_start_of_each_unit(bring, check, start, patient, second):
    """Milkins et al. 2013, as quoted: 72 h, at the start of the transfusion."""
    unit = check(bring(out=None), second=second)
    taken = CrossmatchSample.objects.get()
    last = taken.taken_at + timedelta(hours=72)
    assert "was valid until 3 Jun 14:00" in refusal(start, unit, at=last + timedelta(seconds=1))
    assert start(unit, at=last).state == "running"


def test_a_unit_is_not_started_on_a_sample_that_was_taken_after_it_came(bring, check, start, patient, nurse, second):
    """The sample must be valid at the start of each unit crossmatched on it (Milkins et al. 2013, as quoted)."""
    out = NOW + timedelta(hours=51, minutes=50)  # the sample holds for ten minutes more
    unit = check(bring(out=out, at=out), at=out, second=second)
    taken = out + 20 * MINUTE
    newer = CrossmatchSample.objects.create(patient=patient, taken_at=taken)
    said = refusal(start, unit, at=taken + 5 * MINUTE)
    assert "was valid until 3 Jun 14:00" in said
    assert "The sample of 3 Jun 14:10 was taken after unit 1 had come" in said
    put_away(
        unit=unit, version=unit.version, key="away", state="returned", reason="crossmatched again", actor=nurse,
        at=taken + 6 * MINUTE,
    )  # fmt: skip
    again = taken + timedelta(hours=2)
    unit = start(check(bring(out=again, at=again), at=again, second=second), at=again + MINUTE)
    assert unit.state == "running"
    assert Entry.objects.get(kind="unit_started").body["crossmatch_sample"] == newer.pk


def test_the_start_names_the_sample_that_the_unit_was_crossmatched_on(bring, check, start, patient, second):
    first = CrossmatchSample.objects.get()
    unit = check(bring(out=NOW), second=second)
    CrossmatchSample.objects.create(patient=patient, taken_at=NOW + MINUTE, note="for the next exchange")
    start(unit, at=NOW + 2 * MINUTE)
    assert Entry.objects.get(kind="unit_started").body["crossmatch_sample"] == first.pk


@pytest.mark.parametrize(
    ("days_back", "hours", "holds"),
    [(90, 72, True), (90, 73, False), (91, 73, True), (91, 168, True), (91, 169, False)],
    ids=["short to the hour", "short and over", "long", "long to the hour", "long and over"],
)
def test_a_sample_holds_long_only_when_nothing_was_given_lately(
    bring, check, start, patient, second, days_back, hours, holds
):
    """3 days when transfused within 3 months, else 7: Milkins et al., Transfus Med 2013;23:3-35."""
    make_other_transfusion(patient, on=TODAY - timedelta(days=days_back))
    CrossmatchSample.objects.update(taken_at=NOW - timedelta(hours=hours))
    unit = check(bring(), second=second)
    if holds:
        assert start(unit, at=NOW).state == "running"
    else:
        assert "A new sample is needed" in refusal(start, unit, at=NOW)


@pytest.mark.parametrize("ended_days_ago", [None, 30, 90, 91], ids=["pregnant", "lately", "to the day", "long ago"])
def test_a_pregnancy_now_or_lately_keeps_the_short_rule(bring, check, start, patient, second, ended_days_ago):
    make_other_transfusion(patient, on=TODAY - timedelta(days=400))
    patient.pregnant_since = TODAY - timedelta(days=200)
    patient.pregnant_until = None if ended_days_ago is None else TODAY - timedelta(days=ended_days_ago)
    patient.save()
    CrossmatchSample.objects.update(taken_at=NOW - timedelta(hours=100))
    unit = check(bring(), second=second)
    if ended_days_ago == 91:
        assert start(unit).state == "running"
    else:
        assert "72 h: pregnant, or within the last months" in refusal(start, unit)


def test_where_nobody_knows_when_red_cells_were_last_given_the_short_rule_holds(bring, check, start, patient, second):
    CrossmatchSample.objects.update(taken_at=NOW - timedelta(hours=73))
    assert "it is not known when red cells were last given" in refusal(start, check(bring(), second=second))


def test_by_calendar_days_the_sample_ends_at_midnight(bring, check, start, site, second):
    make_site_setting(site=site, name="sample_by_calendar_day", value=1)
    unit = check(bring(out=None), second=second)  # taken on 31 May, so valid to the end of 2 June
    midnight = NOW.replace(day=2, hour=23)  # of London
    assert "valid until 3 Jun 00:00" in refusal(start, unit, at=midnight)
    assert start(unit, at=midnight - timedelta(seconds=1)).state == "running"


def test_without_a_sample_nothing_is_started(bring, check, start, second):
    unit = check(bring(), second=second)
    CrossmatchSample.objects.update(withdrawn_reason="wrong tube")
    assert "No crossmatch sample is recorded" in refusal(start, unit)


def test_a_late_start_needs_a_reason_and_one_that_cannot_end_in_time_is_refused(bring, check, start, second):
    unit = check(bring(), second=second)
    limit = NOW + 30 * MINUTE
    said = refusal(start, unit, at=limit + 5 * MINUTE)
    assert "5 min longer than the limit for starting (10:30)" in said
    assert "had to end by 14:00" in refusal(start, unit, at=NOW + timedelta(hours=4), why_late="forgotten")
    assert start(unit, at=limit + 5 * MINUTE, why_late="line had to be moved").state == "running"
    assert Entry.objects.get(kind="unit_started").why == "line had to be moved"


def test_an_antibody_found_after_the_check_stops_the_start(bring, check, start, patient, second):
    unit = check(bring(), second=second)
    make_antibody(patient, "anti-Fy(a)")
    assert "Fya (anti-Fy(a) was found)" in refusal(start, unit)


def test_a_unit_that_expired_since_its_check_is_not_started(bring, check, start, second):
    unit = check(bring(replace(GOOD, expires_on=TODAY, expires_at=time(10, 20))), second=second)
    assert "Expired" in refusal(start, unit, at=NOW + 21 * MINUTE)


def test_a_unit_stopped_before_it_was_empty_says_why(bring, check, start, nurse, second):
    unit = start(check(bring(), second=second))
    unit = end_unit(unit=unit, version=unit.version, key="e", actor=nurse, at=NOW + 9 * MINUTE, stopped_why="rigors")
    assert (unit.state, unit.end_reason) == ("given", "rigors")
    assert Entry.objects.get(kind="unit_ended").body["stopped"] is True


def test_only_a_unit_that_is_being_given_ends(bring, nurse):
    unit = bring()
    said = refusal(end_unit, unit=unit, version=unit.version, key="e", actor=nurse, at=NOW)
    assert "only a unit that is being given ends" in said


# Put away and taken back


@pytest.mark.parametrize("state", ["returned", "discarded"])
def test_a_unit_that_is_not_needed_is_put_away_and_frees_its_place(bring, check, nurse, second, state):
    unit = check(bring(), second=second)
    unit = put_away(
        unit=unit, version=unit.version, key="p", state=state, reason="plan changed", actor=nurse, at=NOW + 29 * MINUTE
    )
    assert (unit.state, unit.end_reason, unit.place) == (state, "plan changed", 20)
    entry = Entry.objects.get(kind="unit_put_away")
    assert (entry.body["unit"], entry.body["state"], entry.body["minutes_out"]) == (1, state, 29)
    assert bring(replace(GOOD, donation_number=OTHER_NUMBER)).place == 1


def test_a_unit_out_of_storage_too_long_goes_back_only_where_the_blood_bank_decides(bring, nurse):
    """Out at the moment it was brought, back 31 minutes later; the limit is 30 (see `unit_clocks.DISCARD`)."""
    unit = bring()
    said = {"unit": unit, "version": unit.version, "key": "p", "reason": "plan changed", "actor": nurse}
    out = unit.out_of_storage_at
    late = refusal(put_away, **said, state="returned", at=out + 31 * MINUTE)
    assert "31 min; the limit here is 30 min. It may not be returned to stock and is discarded" in late
    assert "up to now" in refusal(put_away, **said, state="returned", at=out, back_at=out + MINUTE)
    unit.refresh_from_db()
    assert (unit.state, unit.back_in_storage_at) == ("at_chair", None)
    row = put_away(**said, state="returned", at=out + 40 * MINUTE, back_at=out + 31 * MINUTE, decided="Dr Ives")
    assert (row.back_in_storage_at, row.return_decided) == (out + 31 * MINUTE, "Dr Ives")
    entry = Entry.objects.get(kind="unit_put_away")
    assert entry.body["minutes_out"] == 31


def test_a_unit_of_which_nobody_noted_when_it_left_storage_asks_for_that_before_it_goes_back(bring, nurse):
    unit = bring()
    DonationUnit.objects.update(out_of_storage_at=None)
    said = {"unit": unit, "version": unit.version, "key": "p", "reason": "plan changed", "actor": nurse, "at": NOW}
    assert "It was not recorded when this unit left" in refusal(put_away, **said, state="returned")
    row = put_away(**said, state="returned", out_at=NOW - 10 * MINUTE)
    assert (row.out_of_storage_at, row.back_in_storage_at) == (NOW - 10 * MINUTE, NOW)


def test_putting_away_needs_a_reason_and_a_way(bring, nurse):
    unit = bring()
    said = {"unit": unit, "version": unit.version, "key": "p", "actor": nurse, "at": NOW}
    assert "Say why" in refusal(put_away, **said, state="returned", reason=" ")
    assert "returned or discarded" in refusal(put_away, **said, state="given", reason="r")


def test_a_unit_of_which_something_was_given_is_not_put_away(bring, check, start, running, nurse, second):
    unit = check(bring(), second=second)
    body = {"step": 2, "in_ml": 40, "out_ml": 0, "unit": 1}
    make_entry(running, "moved", body, by=nurse)
    said = {"unit": unit, "version": unit.version, "key": "p", "actor": nurse, "at": NOW}
    assert "it is ended" in refusal(put_away, **said, state="discarded", reason="r")


def test_a_start_entered_by_mistake_is_taken_back_and_stays_readable(bring, check, start, running, nurse, second):
    unit = start(check(bring(), second=second))
    unit = take_back(unit=unit, version=unit.version, key="t", reason="wrong button", actor=nurse, at=NOW + 2 * MINUTE)
    assert (unit.state, unit.started_at) == ("checked", None)
    assert kinds() == ["unit_checked", "unit_started", "undo"]
    assert tally_of(running).units.get(1) is None
    assert start(unit, at=NOW + 3 * MINUTE).started_at == NOW + 3 * MINUTE
    assert tally_of(running).units[1].started_at == NOW + 3 * MINUTE


def test_an_end_entered_by_mistake_is_taken_back(bring, check, start, running, nurse, second):
    unit = start(check(bring(), second=second))
    unit = end_unit(unit=unit, version=unit.version, key="e", actor=nurse, at=NOW + 9 * MINUTE)
    unit = take_back(unit=unit, version=unit.version, key="t", reason="still runs", actor=nurse, at=NOW + 10 * MINUTE)
    assert (unit.state, unit.ended_at) == ("running", None)
    assert tally_of(running).units[1].ended_at is None


def test_an_end_is_not_taken_back_while_another_unit_is_given(bring, check, start, running, nurse, second):
    first = start(check(bring(), second=second))
    first = end_unit(unit=first, version=first.version, key="e", actor=nurse, at=NOW + 9 * MINUTE)
    start(check(bring(replace(GOOD, donation_number=OTHER_NUMBER)), second=second), at=NOW + 10 * MINUTE)
    said = {"unit": first, "version": first.version, "actor": nurse, "at": NOW + 11 * MINUTE}
    assert "Unit 2 is being given: end it first" in refusal(take_back, **said, key="t", reason="still runs")
    assert DonationUnit.objects.get(pk=first.pk).state == "given"


def test_a_start_with_volume_given_is_not_taken_back(bring, check, start, running, nurse, second):
    unit = start(check(bring(), second=second))
    body = {"step": 2, "in_ml": 40, "out_ml": 0, "unit": 1}
    add_entry(exchange_session=running, key="m", kind="moved", body=body, actor=nurse, at=NOW + 5 * MINUTE)
    said = {"unit": unit, "version": unit.version, "actor": nurse, "at": NOW + 6 * MINUTE}
    assert "40 mL of this unit" in refusal(take_back, **said, key="t", reason="wrong")
    assert "Say why" in refusal(take_back, **said, key="t2", reason="")


def test_nothing_is_taken_back_of_a_unit_at_the_chair(bring, nurse):
    unit = bring()
    said = refusal(take_back, unit=unit, version=unit.version, key="t", reason="r", actor=nurse, at=NOW)
    assert "Nothing of this unit" in said


def test_nobody_who_took_consent_back_today_is_given_another_unit_until_it_is_given_anew(
    bring, check, start, running, nurse, second
):
    patient, said = running.patient, {"actor": nurse, "at": NOW}
    days = {"given_on": TODAY - timedelta(days=30), "valid_until": TODAY + timedelta(days=300)}
    consent = record_consent(patient=patient, given_by="the person", **days, **said)
    first, other = check(bring(), second=second), bring(replace(GOOD, donation_number=OTHER_NUMBER))
    withdraw_consent(consent=consent, on=TODAY, why="enough for today", **said)
    assert "Consent was taken back on 1 Jun 2026: no unit is checked or started" in refusal(start, first)
    assert "Consent was taken back" in refusal(check, other, second=second)
    record_consent(patient=patient, given_by="the person", **days | {"given_on": TODAY}, **said)
    assert start(first).state == "running"


def test_consent_taken_back_before_the_day_was_asked_about_at_the_start(bring, check, start, running, nurse, second):
    days = {"given_on": TODAY - timedelta(days=30), "valid_until": TODAY + timedelta(days=300)}
    consent = record_consent(patient=running.patient, given_by="the person", **days, actor=nurse, at=NOW)
    withdraw_consent(consent=consent, on=TODAY - timedelta(days=2), why="moved away", actor=nurse, at=NOW)
    assert start(check(bring(), second=second)).state == "running"
