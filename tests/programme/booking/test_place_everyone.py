"""The command that places everyone: what it prints, and that it writes nothing."""

import json
from datetime import date, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from programme.booking.models import Booking
from programme.booking.queries.placing import people_of
from programme.core.numeric.setting_table import DEFAULTS
from tests.factories import (
    NOW,
    TODAY,
    make_booking,
    make_chair,
    make_exchange_session,
    make_forecast,
    make_open_week,
    make_other_transfusion,
    make_patient,
    make_planned_session,
    make_suggestion,
    make_user,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


def printed(**options: object) -> dict:
    out = StringIO()
    call_command("place_everyone", stdout=out, **options)
    return json.loads(out.getvalue())


def due_person(ref: str, *, best: date, latest: date):
    person = make_patient(ref)
    make_forecast(person)
    make_suggestion(person, next_date=best, latest_safe_date=latest)
    return person


def test_everyone_due_gets_a_place_of_their_own_inside_their_window(site) -> None:
    make_user(site=site)
    make_open_week(site)
    make_chair(site)
    best, latest = TODAY + timedelta(7), TODAY + timedelta(9)
    refs = {due_person(f"SM-{n}", best=best, latest=latest).patient_ref for n in range(3)}
    found = printed(weeks=4)
    assert {row["patient_ref"] for row in found["placed"]} == refs
    days = [row["date"] for row in found["placed"]]
    assert len(set(days)) == 3, "one chair, one exchange a day"
    assert all(day <= latest.isoformat() for day in days)
    assert (found["left"], found["proven_optimal"], found["gap"]) == ([], True, 0.0)
    assert set(found["placed"][0]) == {"patient_ref", "date", "start", "chair", "chance_over", "reason"}
    assert not Booking.objects.exists()


def test_bookings_stand_and_who_cannot_be_placed_is_named_with_the_limit(site) -> None:
    make_user(site=site)
    make_open_week(site, weekdays=[0])
    chair = make_chair(site)
    booked = make_patient("SM-9")
    for week in range(1, 5):
        make_booking(booked, chair, on=TODAY + timedelta(7 * week))
    due_person("SM-1", best=TODAY + timedelta(7), latest=TODAY + timedelta(8))
    found = printed(weeks=4, first=TODAY + timedelta(1))
    assert found["placed"] == []
    assert [row["patient_ref"] for row in found["left"]] == ["SM-1"]
    assert "No chair is free for long enough" in found["left"][0]["reason"]


@pytest.mark.parametrize(("state", "asked"), [("planned", False), ("running", False), ("cancelled", True)])
def test_whoever_is_in_the_chair_today_is_not_placed_until_the_session_says_what_comes_next(site, state, asked) -> None:
    make_user(site=site)
    make_open_week(site)
    make_chair(site)
    person = due_person("SM-1", best=TODAY + timedelta(7), latest=TODAY + timedelta(9))
    make_planned_session(person, on=TODAY, state=state, ended_reason="unwell" if state == "cancelled" else "")
    found = printed(weeks=4)
    assert [row["patient_ref"] for row in found["placed"]] == (["SM-1"] if asked else [])
    assert found["left"] == []


@pytest.mark.parametrize(("state", "asked"), [("planned", True), ("authorised", True), ("running", False)])
def test_who_did_not_come_today_is_placed_though_a_session_was_planned(site, state, asked) -> None:
    make_user(site=site)
    make_open_week(site)
    person = due_person("SM-1", best=TODAY + timedelta(7), latest=TODAY + timedelta(9))
    make_booking(person, make_chair(site), on=TODAY, state="missed")
    make_planned_session(person, on=TODAY, state=state)
    assert [row["patient_ref"] for row in printed(weeks=4)["placed"]] == (["SM-1"] if asked else [])


def test_weeks_that_begin_later_have_their_first_places_with_the_sampling_hours_of_the_days_before(site) -> None:
    """Tuesday 9 June, 09:00, less 72 h is Saturday 6 June, 09:00: its sample is taken on Monday 8, before the first
    of the weeks asked for, and 13 June is the last safe day."""
    make_user(site=site)
    make_open_week(site, weekdays=[0, 1])
    make_chair(site)
    person = due_person("SM-1", best=date(2026, 6, 9), latest=date(2026, 6, 13))
    make_exchange_session(person, on=TODAY - timedelta(20))
    found = printed(weeks=2, first=date(2026, 6, 9))
    assert [(row["date"], row["patient_ref"]) for row in found["placed"]] == [("2026-06-09", "SM-1")]


def test_of_whom_no_window_is_known_it_is_said_beside_the_answer(site) -> None:
    make_user(site=site)
    make_patient("SM-NEW")
    out, said = StringIO(), StringIO()
    call_command("place_everyone", stdout=out, stderr=said)
    assert json.loads(out.getvalue())["left"] == []
    assert "No window is known and no place stands for SM-NEW: decided by hand." in said.getvalue()


@pytest.mark.parametrize(("days_back", "short"), [(None, False), (20, True), (200, False)])
def test_a_top_up_elsewhere_keeps_the_short_rule_for_samples(site, days_back, short) -> None:
    """Milkins et al., Transfus Med 2013;23:3-35, as quoted: any red cells of the last 3 months, not only exchanges."""
    person = make_patient("SM-1")
    make_exchange_session(person, on=TODAY - timedelta(150))
    if days_back is not None:
        make_other_transfusion(person, on=TODAY - timedelta(days_back))
    (row,) = people_of(site, NOW, DEFAULTS)
    assert row.seeker.samples_by.rule.recent is short


@pytest.mark.parametrize(("options", "words"), [({"weeks": 0}, "1 to 26"), ({"first": date(2026, 5, 1)}, "is past")])
def test_what_cannot_be_asked_is_refused(site, options, words) -> None:
    with pytest.raises(CommandError, match=words):
        printed(**options)
