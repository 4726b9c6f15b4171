"""Finishing, abandoning, closing and opening again: what is stored is what was really done."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from patients.models import LabResult
from programme.core.models import EditedMeanwhile, TrailEntry, User
from sessions.day.models import Entry, FollowUp
from sessions.day.numeric.entries import NOTE
from sessions.day.services import finishing
from sessions.day.services.afterwards import open_recheck
from sessions.day.services.entering import add_entry
from sessions.models import DonationUnit, ExchangeSession, ExchangeStep, SessionFacts
from sessions.services import FinishedSession, correct_finished_session
from tests.factories import (
    NOW,
    TODAY,
    make_entry,
    make_exchange_session,
    make_goals,
    make_patient,
    make_planned_session,
    make_prescription,
    make_result,
    make_unit,
    make_user,
)

pytestmark = pytest.mark.django_db

START = NOW - timedelta(hours=3)
WHOLE = (
    ("moved", {"step": 1, "in_ml": 400, "out_ml": 400}, 0),
    ("unit_started", {"unit": 1}, 20),
    ("moved", {"step": 2, "in_ml": 258, "out_ml": 250, "unit": 1}, 60),
    ("unit_ended", {"unit": 1}, 61),
    ("unit_started", {"unit": 2}, 62),
    ("moved", {"step": 2, "in_ml": 250, "out_ml": 255, "unit": 2}, 100),
    ("observation", {"moment": "after_15", "pulse": 78}, 35),
    ("observation", {"moment": "after_15", "pulse": 80}, 77),
    ("observation", {"moment": "end", "pulse": 76}, 101),
    ("unit_ended", {"unit": 2}, 101),
)


def fill(session: ExchangeSession, nurse: User, entries: Any = WHOLE) -> None:
    for kind, body, minute in entries:
        at = START + timedelta(minutes=minute)
        number = Entry.objects.filter(exchange_session=session).count()
        make_entry(session, kind, body, by=nurse, happened_at=at, received_at=at, seen=number)


@pytest.fixture
def nurse(running: ExchangeSession) -> User:
    return make_user(site=running.patient.site)


@pytest.fixture
def consultant(running: ExchangeSession) -> User:
    return make_user(role="consultant", site=running.patient.site)


@pytest.fixture
def running() -> ExchangeSession:
    session = make_planned_session(make_patient(), on=TODAY, state="running", started_at=START)
    doctor = make_user(role="consultant", site=session.patient.site, username="signing.doctor")
    make_prescription(session, signed_by=doctor)
    for place in (1, 2):
        make_unit(session, place=place, state="running", donation_number=f"G{place}", volume_ml=258)
    return session


def finish(session: ExchangeSession, nurse: User, **given: Any) -> ExchangeSession:
    values = {"version": session.version, "actor": nurse, "at": NOW, "key": f"f{session.version}", **given}
    return finishing.finish(exchange_session=session, **values)


def test_finishing_writes_steps_totals_units_and_times_from_the_entries(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse)
    finish(running, nurse)
    stored = ExchangeSession.objects.get(pk=running.pk)
    # Sums by hand over WHOLE.
    assert (stored.state, stored.units) == ("finished", 2)
    assert (stored.saline_in_ml, stored.red_cells_in_ml, stored.blood_out_ml) == (400, 508, 905)
    assert (stored.started_at, stored.ended_at) == (START, START + timedelta(minutes=101))
    assert stored.method == "two_arm"
    steps = ExchangeStep.objects.filter(exchange_session=stored).order_by("number")
    assert list(steps.values_list("fluid", "in_ml", "out_ml")) == [("saline", 400, 400), ("red_cells", 508, 505)]
    units = DonationUnit.objects.filter(exchange_session=stored).order_by("place")
    assert [(u.state, u.started_at, u.ended_at) for u in units] == [
        ("given", START + timedelta(minutes=20), START + timedelta(minutes=61)),
        ("given", START + timedelta(minutes=62), START + timedelta(minutes=101)),
    ]
    assert TrailEntry.objects.filter(action="finish session", actor=nurse).count() == 1
    assert TrailEntry.objects.filter(action="record step").count() == 2


def test_finishing_makes_the_facts_and_raises_the_data_version(running: ExchangeSession, nurse: User) -> None:
    make_result(running.patient, analyte="718-7", value=94, taken_at=START - timedelta(hours=2))
    make_result(running.patient, value=30, taken_at=START - timedelta(hours=2))
    version = running.patient.data_version
    fill(running, nurse)
    finish(running, nurse)
    facts = SessionFacts.objects.get(exchange_session=running)
    assert (facts.hb_before_g_l, facts.hbs_before_pct) == (94, 30)
    assert facts.hbs_ratio is not None
    running.patient.refresh_from_db()
    assert running.patient.data_version > version


def test_a_line_that_stops_writes_nothing(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse, WHOLE[:-1])
    with pytest.raises(ValidationError, match="G2: started and not ended"):
        finish(running, nurse)
    assert ExchangeSession.objects.get(pk=running.pk).state == "running"
    assert not ExchangeStep.objects.exists()


def test_a_unit_left_at_the_chair_has_to_be_put_away_first(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse)
    spare = make_unit(running, place=3, state="checked", donation_number="G3")
    with pytest.raises(ValidationError, match="G3: return or discard"):
        finish(running, nurse)
    DonationUnit.objects.filter(pk=spare.pk).update(state="returned", end_reason="not needed")
    assert finish(running, nurse).state == "finished"


def test_finishing_without_the_observations_of_the_units_needs_a_reason(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse, [entry for entry in WHOLE if entry[0] != "observation"])
    with pytest.raises(ValidationError, match="Observations: none 15 min into units 1 and 2, none at the end"):
        finish(running, nurse)
    assert finish(running, nurse, reason="the monitor kept them").state == "finished"


def test_what_is_asked_about_needs_a_reason_and_the_reason_is_kept(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse, WHOLE[:4])
    DonationUnit.objects.filter(place=2).update(state="discarded", end_reason="line failed")
    with pytest.raises(ValidationError, match="step 2 has 258 of 516 mL in"):
        finish(running, nurse)
    finish(running, nurse, reason="access failed after the first unit")
    note = Entry.objects.get(exchange_session=running, kind=NOTE)
    assert "Reason: access failed after the first unit" in note.body["words"]
    assert ExchangeSession.objects.get(pk=running.pk).red_cells_in_ml == 258


def test_finishing_a_session_changed_meanwhile_is_refused(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse)
    with pytest.raises(EditedMeanwhile):
        finish(running, nurse, version=running.version + 1)
    assert not ExchangeStep.objects.exists()


def test_an_undone_volume_after_the_end_rewrites_the_totals(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse)
    finish(running, nurse)
    later = NOW + timedelta(minutes=5)
    add_entry(exchange_session=running, key="u", kind="undo", body={"number": 6}, actor=nurse, at=later)
    stored = ExchangeSession.objects.get(pk=running.pk)
    assert (stored.red_cells_in_ml, stored.blood_out_ml) == (258, 650)
    assert TrailEntry.objects.filter(action="rewrite totals").count() == 1


def test_a_volume_that_waited_in_the_browser_while_another_finished_counts(
    running: ExchangeSession, nurse: User
) -> None:
    fill(running, nurse)
    finish(running, nurse)
    body = {"step": 1, "in_ml": 20, "out_ml": 0}
    said = {"exchange_session": running, "kind": "moved", "body": body, "actor": nurse}
    add_entry(**said, key="late", at=NOW + timedelta(minutes=2), waited_s=300)
    assert ExchangeSession.objects.get(pk=running.pk).saline_in_ml == 420
    with pytest.raises(ValidationError, match="This session is finished"):
        add_entry(**said, key="after", at=NOW + timedelta(minutes=4), waited_s=60)


def test_an_observation_after_the_end_rewrites_nothing(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse)
    finish(running, nurse)
    body = {"moment": "going_home", "pulse": 76}
    add_entry(exchange_session=running, key="o", kind="observation", body=body, actor=nurse, at=NOW)
    assert not TrailEntry.objects.filter(action="rewrite totals").exists()


def put_right(session: ExchangeSession, nurse: User, number: int, minutes: int, at: datetime) -> Entry:
    said = {"kind": "time", "key": f"t{number}{minutes}", "actor": nurse, "why": "entered late"}
    body = {"number": number, "happened_at": (at + timedelta(minutes=minutes)).isoformat()}
    return add_entry(exchange_session=session, body=body, at=at, **said)


@pytest.fixture
def ended(running: ExchangeSession, nurse: User) -> ExchangeSession:
    """Started by its checks at START, with two touches of saline, and finished; entries 1 to 3."""
    DonationUnit.objects.update(state="returned", end_reason="not needed")
    touch = {"step": 1, "in_ml": 200, "out_ml": 200}
    fill(running, nurse, [("start_check", {}, 0), ("moved", touch, 10), ("moved", touch, 20)])
    return finish(running, nurse, reason="stopped early")


def test_a_time_put_right_after_the_end_gives_no_more_room_to_the_next(ended: ExchangeSession, nurse: User) -> None:
    put_right(ended, nurse, 3, -229, START)
    assert ExchangeSession.objects.get(pk=ended.pk).started_at == START - timedelta(minutes=229)
    with pytest.raises(ValidationError, match="more than 4 h before the session was started"):
        put_right(ended, nurse, 2, -296, START)


def test_a_wrong_time_taken_back_after_the_end_gives_the_session_its_start_again(
    ended: ExchangeSession, nurse: User
) -> None:
    wrong = put_right(ended, nurse, 2, -120, START)
    add_entry(exchange_session=ended, key="u", kind="undo", body={"number": wrong.number}, actor=nurse, at=NOW)
    stored = ExchangeSession.objects.get(pk=ended.pk)
    assert (stored.started_at, stored.ended_at) == (START, START + timedelta(minutes=20))
    step = ExchangeStep.objects.get(exchange_session=ended)
    assert (step.started_at, step.ended_at) == (START, START + timedelta(minutes=20))


# Abandoning


def abandon(session: ExchangeSession, nurse: User, **given: Any) -> ExchangeSession:
    values = {"version": session.version, "actor": nurse, "at": NOW, "key": "ab", "reason": "access failed", **given}
    return finishing.abandon(exchange_session=session, **values)


def test_an_abandoned_session_keeps_what_was_given_and_counts(running: ExchangeSession, nurse: User) -> None:
    fill(running, nurse, WHOLE[:3])
    DonationUnit.objects.filter(place=2).update(state="returned", end_reason="not needed")
    abandon(running, nurse)
    stored = ExchangeSession.objects.get(pk=running.pk)
    assert (stored.state, stored.ended_reason) == ("abandoned", "access failed")
    assert (stored.saline_in_ml, stored.red_cells_in_ml, stored.blood_out_ml, stored.units) == (400, 258, 650, 1)
    assert stored.has_happened
    assert SessionFacts.objects.filter(exchange_session=stored).exists()
    # The unit that still ran was ended now, and red cells were given, so a late reaction is asked about.
    assert DonationUnit.objects.get(place=1).ended_at == NOW
    assert FollowUp.objects.get(exchange_session=stored).kind == "late_call"


def test_what_waited_in_a_tablet_while_another_abandoned_the_session_still_counts(
    running: ExchangeSession, nurse: User
) -> None:
    DonationUnit.objects.update(state="returned", end_reason="fever")
    abandon(running, nurse, reason="fever at the chair")
    assert not ExchangeSession.objects.get(pk=running.pk).has_happened
    body = {"step": 1, "in_ml": 0, "out_ml": 250}
    said = {"exchange_session": running, "kind": "moved", "body": body, "actor": nurse}
    add_entry(**said, key="late", at=NOW + timedelta(minutes=2), waited_s=300)
    stored = ExchangeSession.objects.get(pk=running.pk)
    assert (stored.state, stored.blood_out_ml, stored.has_happened) == ("abandoned", 250, True)
    assert SessionFacts.objects.filter(exchange_session=stored).exists()
    with pytest.raises(ValidationError, match="This session is abandoned"):
        add_entry(**said, key="after", at=NOW + timedelta(minutes=4), waited_s=60)


def test_abandoned_before_anything_was_done_it_does_not_count(running: ExchangeSession, nurse: User) -> None:
    DonationUnit.objects.update(state="returned", end_reason="fever")
    abandon(running, nurse, reason="fever at the chair")
    stored = ExchangeSession.objects.get(pk=running.pk)
    assert (stored.state, stored.has_happened) == ("abandoned", False)
    assert not FollowUp.objects.exists()
    assert not SessionFacts.objects.filter(exchange_session=stored).exists()


def test_abandoning_needs_a_reason_and_all_units_accounted_for(running: ExchangeSession, nurse: User) -> None:
    with pytest.raises(ValidationError, match="Say why"):
        abandon(running, nurse, reason=" ")
    make_unit(running, place=3, state="at_chair", donation_number="G3")
    with pytest.raises(ValidationError, match="G3: return or discard"):
        abandon(running, nurse)
    assert ExchangeSession.objects.get(pk=running.pk).state == "running"
    assert not Entry.objects.exists()


def test_given_up_after_it_was_finished_the_call_about_late_reactions_falls_due_all_the_same(
    running: ExchangeSession, nurse: User
) -> None:
    """A late haemolytic reaction shows from 24 h to 28 days after red cells (definitions of TRIP, the Netherlands)."""
    fill(running, nurse)
    abandon(finish(running, nurse), nurse, reason="ended far from its plan")
    assert ExchangeSession.objects.get(pk=running.pk).state == "abandoned"
    assert FollowUp.objects.get(exchange_session=running).kind == "late_call"
    assert TrailEntry.objects.filter(action="open follow-up", actor=nurse).count() == 1


def test_a_unit_that_was_started_is_followed_up_though_nothing_of_it_was_entered(
    running: ExchangeSession, nurse: User
) -> None:
    fill(running, nurse, WHOLE[:2])
    DonationUnit.objects.filter(place=2).update(state="returned", end_reason="not needed")
    abandon(running, nurse, reason="hives in the first minute")
    assert FollowUp.objects.get(exchange_session=running).kind == "late_call"


# Closing


def close(session: ExchangeSession, actor: User, **given: Any) -> ExchangeSession:
    values = {"version": session.version, "actor": actor, "at": NOW, "key": f"c{session.version}", **given}
    return finishing.close(exchange_session=session, **values)


@pytest.fixture
def finished(running: ExchangeSession, nurse: User) -> ExchangeSession:
    fill(running, nurse)
    return finish(running, nurse)


def complete(session: ExchangeSession, nurse: User) -> None:
    sampled = NOW - timedelta(minutes=40)
    body = {"taken_at": sampled.isoformat(), "place": "left arm", "from_return": False}
    make_entry(session, "sample", body, by=nurse)
    make_entry(session, "disposal", {"words": "drawn blood to clinical waste"}, by=nurse)
    make_entry(session, "leaflet", {}, by=nurse)
    make_entry(session, "observation", {"moment": "going_home", "bp_sys": 116, "bp_dia": 70}, by=nurse)
    for analyte, value in (("718-7", 104.0), ("4625-0", 18.0)):
        result = make_result(session.patient, analyte=analyte, value=value, taken_at=sampled)
        session.result_links.create(result=result, position="after", by_rule=False)


def test_a_complete_session_closes_and_a_call_falls_due(finished: ExchangeSession, nurse: User) -> None:
    complete(finished, nurse)
    close(finished, nurse)
    stored = ExchangeSession.objects.get(pk=finished.pk)
    assert stored.state == "closed"
    call = FollowUp.objects.get(exchange_session=stored)
    # Ten days: the mean of 10.1 ± 5.4 days of Br J Haematol 2015;169:746-53, the default of the setting.
    assert (call.kind, call.due_on, call.done_at) == ("late_call", TODAY + timedelta(days=10), None)
    facts = SessionFacts.objects.get(exchange_session=stored)
    assert (facts.hb_after_g_l, facts.hbs_after_pct) == (104, 18)


def test_closing_with_something_missing_needs_a_reason(finished: ExchangeSession, nurse: User) -> None:
    with pytest.raises(ValidationError) as refused:
        close(finished, nurse)
    said = " ".join(refused.value.messages)
    for line in ("After-sample", "After-results: Hb and HbS not in yet", "Disposal", "Going-home", "Leaflet"):
        assert line in said
    assert ExchangeSession.objects.get(pk=finished.pk).state == "finished"
    close(finished, nurse, reason="went home against advice; HbS comes on Thursday")
    assert "went home against advice" in Entry.objects.filter(kind=NOTE).latest("number").body["words"]


def thick(session: ExchangeSession, nurse: User) -> None:
    """Complete, and Hb after is 131 g/L where nobody said another ceiling than the 110 of the site."""
    complete(session, nurse)
    LabResult.objects.filter(analyte="718-7", link__exchange_session=session).update(value=131.0)


def test_closing_with_hb_over_the_ceiling_that_nobody_answered_needs_a_reason(
    finished: ExchangeSession, nurse: User
) -> None:
    thick(finished, nurse)
    with pytest.raises(ValidationError, match="131 g/L is over the ceiling of 110 g/L: no blood drawn since, no check"):
        close(finished, nurse)
    close(finished, nurse, reason="the person left")
    note = Entry.objects.filter(exchange_session=finished, kind=NOTE).latest("number").body["words"]
    assert note.endswith("no check of Hb opened. Reason: the person left")


def test_closing_with_hb_over_the_ceiling_asks_nothing_once_a_check_is_open(
    finished: ExchangeSession, nurse: User
) -> None:
    thick(finished, nurse)
    due = TODAY + timedelta(days=1)
    open_recheck(exchange_session=finished, due_on=due, words="Hb 131", actor=nurse, at=NOW)
    assert close(finished, nurse).state == "closed"


def test_the_ceiling_of_the_person_counts_for_hb_after(finished: ExchangeSession, nurse: User) -> None:
    thick(finished, nurse)
    make_goals(finished.patient, hb_ceiling_g_l=130)
    LabResult.objects.filter(value=131.0).update(value=130.0)
    assert close(finished, nurse).state == "closed"


def test_only_a_consultant_opens_it_again_with_a_reason_and_one_call_is_enough(
    finished: ExchangeSession, nurse: User, consultant: User
) -> None:
    complete(finished, nurse)
    closed = close(finished, nurse)
    with pytest.raises(PermissionDenied):
        finishing.reopen(exchange_session=closed, version=closed.version, actor=nurse, at=NOW, reason="wrong bag")
    with pytest.raises(ValidationError, match="Say why"):
        finishing.reopen(exchange_session=closed, version=closed.version, actor=consultant, at=NOW, reason="")
    again = finishing.reopen(
        exchange_session=closed, version=closed.version, actor=consultant, at=NOW, reason="wrong bag"
    )
    assert (again.state, again.version) == ("finished", closed.version + 1)
    close(again, consultant)
    assert FollowUp.objects.filter(exchange_session=finished).count() == 1


# What is stored equals what was entered

MOVE = st.tuples(
    st.integers(1, 2), st.integers(0, 300), st.integers(0, 300), st.sampled_from([None, 1, 2]), st.booleans()
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moves=st.lists(MOVE.filter(lambda move: move[1] + move[2] > 0), min_size=1, max_size=10))
def test_what_finishing_stores_equals_what_was_entered_and_not_undone(site: Any, moves: list[Any]) -> None:
    session = make_planned_session(make_patient(), on=TODAY, state="running", started_at=START)
    nurse = User.objects.filter(role="nurse", site=session.patient.site).first() or make_user(site=session.patient.site)
    doctor = User.objects.filter(role="consultant").first() or make_user(role="consultant", site=session.patient.site)
    make_prescription(session, signed_by=doctor)
    kept = []
    for step, in_ml, out_ml, unit, undo in moves:
        body = {"step": step, "in_ml": in_ml, "out_ml": out_ml, "unit": unit}
        number = Entry.objects.filter(exchange_session=session).count() + 1
        make_entry(session, "moved", body, by=nurse, happened_at=START, received_at=START, seen=number)
        if undo:
            make_entry(session, "undo", {"number": number}, by=nurse, seen=number)
        else:
            kept.append((step, in_ml, out_ml, unit))
    if not kept:
        with pytest.raises(ValidationError, match="nothing was given or drawn"):
            finish(session, nurse, reason="tried")
        return
    finish(session, nurse, reason="tried", key=f"k{session.pk}")
    stored = ExchangeSession.objects.get(pk=session.pk)
    cells = sum(in_ml for step, in_ml, _, _ in kept if step == 2)
    assert stored.saline_in_ml == sum(in_ml for step, in_ml, _, _ in kept if step == 1)
    assert stored.red_cells_in_ml == cells
    assert stored.blood_out_ml == sum(out_ml for _, _, out_ml, _ in kept)
    steps = ExchangeStep.objects.filter(exchange_session=stored)
    assert sum(s.in_ml for s in steps if s.fluid == "red_cells") == cells
    assert sum(s.in_ml + s.out_ml for s in steps) == sum(i + o for _, i, o, _ in kept)
    # A unit counts as given once something of it went in.
    places = {unit for _, in_ml, _, unit in kept if unit and in_ml}
    assert stored.units == (len(places) if places or not cells else None)


def test_a_session_entered_here_is_not_corrected_behind_its_entries(finished: ExchangeSession, nurse: User) -> None:
    with pytest.raises(ValidationError, match="carried out here"):
        correct_finished_session(
            exchange_session=finished, version=finished.version, given=FinishedSession(on=TODAY, weight_kg=60),
            why="typo", actor=nurse, at=NOW,
        )  # fmt: skip
    other = make_exchange_session(finished.patient)
    fixed = correct_finished_session(
        exchange_session=other, version=1, given=FinishedSession(on=other.on, weight_kg=61), why="typo", actor=nurse,
        at=NOW,
    )  # fmt: skip
    assert fixed.weight_kg == 61
