"""The after-sample, its results, volumes put right, and contacts that fall due."""

from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from patients.models import Analyte, LabResult
from programme.core.models import EditedMeanwhile, TrailEntry, User
from sessions.day.models import Entry, FollowUp
from sessions.day.queries import tally_of
from sessions.day.services import afterwards, entering, following
from sessions.models import ExchangeSession, HaemolysisSign, ResultLink, SessionFacts
from tests.factories import (
    NOW,
    TODAY,
    make_entry,
    make_patient,
    make_planned_session,
    make_prescription,
    make_user,
)

pytestmark = pytest.mark.django_db

ENDED = NOW - timedelta(hours=2)


@pytest.fixture
def finished() -> ExchangeSession:
    session = make_planned_session(
        make_patient(), on=TODAY, state="finished", started_at=ENDED - timedelta(hours=2), ended_at=ENDED,
        saline_in_ml=400, red_cells_in_ml=516, blood_out_ml=900, units=2,
    )  # fmt: skip
    doctor = make_user(role="consultant", site=session.patient.site)
    make_prescription(session, signed_by=doctor)
    body = {"step": 1, "in_ml": 400, "out_ml": 400}
    make_entry(session, "moved", body, by=doctor, happened_at=ENDED - timedelta(hours=2))
    body = {"step": 2, "in_ml": 516, "out_ml": 500, "unit": None}
    make_entry(session, "moved", body, by=doctor, happened_at=ENDED)
    return session


@pytest.fixture
def nurse(finished: ExchangeSession) -> User:
    return make_user(site=finished.patient.site)


def sample(session: ExchangeSession, nurse: User, **given: Any) -> Entry:
    values = {
        "taken_at": ENDED + timedelta(minutes=34), "place": "left arm", "from_return": False, "key": "s",
        "actor": nurse, "at": NOW, **given,
    }  # fmt: skip
    return afterwards.record_sample(exchange_session=session, **values)


def test_a_sample_is_kept_with_its_arm_and_time(finished: ExchangeSession, nurse: User) -> None:
    entry = sample(finished, nurse)
    assert entry.body["place"] == "left arm"
    assert entry.body["taken_at"] == (ENDED + timedelta(minutes=34)).isoformat()


def test_a_sample_typed_to_the_minute_of_the_end_is_kept_and_is_early(finished: ExchangeSession, nurse: User) -> None:
    """The end has seconds, a typed time has none: the same minute is not 'before'."""
    ExchangeSession.objects.filter(pk=finished.pk).update(ended_at=ENDED + timedelta(seconds=40))
    assert sample(finished, nurse, taken_at=ENDED).kind == "sample"


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"taken_at": ENDED - timedelta(minutes=1)}, "before the session ended"),
        ({"taken_at": NOW + timedelta(minutes=1)}, "in the future"),
        ({"place": " "}, "which arm or line"),
    ],
)
def test_a_sample_that_cannot_be_is_refused(
    finished: ExchangeSession, nurse: User, wrong: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(ValidationError, match=sentence):
        sample(finished, nurse, **wrong)
    assert not Entry.objects.filter(kind="sample").exists()


def test_an_abandoned_session_takes_what_comes_after_as_a_finished_one_does(
    finished: ExchangeSession, nurse: User
) -> None:
    ExchangeSession.objects.filter(pk=finished.pk).update(state="abandoned", ended_reason="reaction")
    assert sample(finished, nurse, from_return=True).body["from_return"] is True
    bodies = {
        "observation": {"moment": "end", "bp_sys": 108, "pulse": 84}, "disposal": {"words": "unit 2 discarded"},
        "leaflet": {"given": True},
    }  # fmt: skip
    for kind, body in bodies.items():
        entering.add_entry(exchange_session=finished, key=kind, kind=kind, body=body, actor=nurse, at=NOW)
    wrong = tally_of(finished).moved[0].number
    afterwards.correct_volume(
        exchange_session=finished, number=wrong, in_ml=300, out_ml=400, why="misread", key="c", actor=nurse, at=NOW
    )
    stored = ExchangeSession.objects.get(pk=finished.pk)
    assert (stored.state, stored.saline_in_ml, stored.has_happened) == ("abandoned", 300, True)


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({"state": "closed"}, "closed"),
        ({"state": "abandoned", "ended_reason": "fever", "red_cells_in_ml": 0, "blood_out_ml": 0, "saline_in_ml": 0,
          "units": 0}, "abandoned"),
    ],
    ids=["closed", "nothing was done"],
)  # fmt: skip
def test_no_sample_follows_what_is_closed_or_did_not_happen(
    finished: ExchangeSession, nurse: User, changes: dict[str, Any], state: str
) -> None:
    ExchangeSession.objects.filter(pk=finished.pk).update(**changes)
    with pytest.raises(ValidationError, match=f"This session is {state}; a sample is entered once something was done"):
        sample(finished, nurse)
    assert not Entry.objects.filter(kind="sample").exists()


def test_results_are_linked_as_after_by_a_person_and_reach_the_facts(finished: ExchangeSession, nurse: User) -> None:
    sample(finished, nurse)
    afterwards.record_after_results(
        exchange_session=finished, values={Analyte.HB: 104.0, Analyte.HBS: 18.2}, method="HPLC", actor=nurse, at=NOW
    )
    links = ResultLink.objects.filter(exchange_session=finished, position="after")
    assert {(link.result.analyte, link.result.value, link.by_rule) for link in links} == {
        ("718-7", 104.0, False), ("4625-0", 18.2, False),
    }  # fmt: skip
    assert {link.result.taken_at for link in links} == {ENDED + timedelta(minutes=34)}
    facts = SessionFacts.objects.get(exchange_session=finished)
    assert (facts.hb_after_g_l, facts.hbs_after_pct) == (104, 18.2)


def test_a_second_result_of_a_kind_is_corrected_and_not_entered_twice(finished: ExchangeSession, nurse: User) -> None:
    sample(finished, nurse)
    given = {"exchange_session": finished, "values": {Analyte.HB: 104.0}, "actor": nurse, "at": NOW}
    afterwards.record_after_results(**given)
    with pytest.raises(ValidationError, match="Hb after this session is recorded already"):
        afterwards.record_after_results(**given)
    assert LabResult.objects.filter(analyte=Analyte.HB).count() == 1


def test_results_without_a_sample_wait_for_its_time(finished: ExchangeSession, nurse: User) -> None:
    given = {"exchange_session": finished, "values": {Analyte.HB: 104.0}, "actor": nurse, "at": NOW}
    with pytest.raises(ValidationError, match="when and from where"):
        afterwards.record_after_results(**given)
    with pytest.raises(ValidationError, match="before the session ended"):
        afterwards.record_after_results(**given, taken_at=ENDED - timedelta(hours=1))
    assert not LabResult.objects.exists()


def test_nothing_follows_a_session_that_did_not_happen(nurse: User, finished: ExchangeSession) -> None:
    ExchangeSession.objects.update(state="planned")
    with pytest.raises(ValidationError, match="nothing was done"):
        afterwards.record_after_results(
            exchange_session=finished, values={Analyte.HB: 104.0}, actor=nurse, at=NOW, taken_at=NOW
        )


# Volumes put right


def correct(session: ExchangeSession, nurse: User, **given: Any) -> None:
    values = {"number": 2, "in_ml": 500, "out_ml": 480, "why": "bag weighed again", "key": "k", **given}
    afterwards.correct_volume(exchange_session=session, actor=nurse, at=NOW, **values)


def test_a_corrected_volume_stands_in_place_and_time_of_the_wrong_one(finished: ExchangeSession, nurse: User) -> None:
    correct(finished, nurse)
    stored = ExchangeSession.objects.get(pk=finished.pk)
    assert (stored.red_cells_in_ml, stored.blood_out_ml, stored.ended_at) == (500, 880, ENDED)
    undo, moved = Entry.objects.order_by("number")[2:]
    assert (undo.kind, undo.body, undo.why) == ("undo", {"number": 2}, "bag weighed again")
    assert (moved.kind, moved.happened_at) == ("moved", ENDED)
    correct(finished, nurse, number=1, in_ml=380, out_ml=390, key="k2")
    steps = finished.steps.order_by("number").values_list("fluid", "in_ml", "out_ml")
    assert list(steps) == [("saline", 380, 390), ("red_cells", 500, 480)], "saline still comes first"
    assert TrailEntry.objects.filter(action="rewrite totals", why="bag weighed again").count() == 2


@pytest.mark.parametrize(("out_ml", "kept"), [(246, False), (264, True)])
def test_a_volume_put_right_is_not_said_to_be_what_the_bag_weighed(
    finished: ExchangeSession, nurse: User, out_ml: float, kept: bool
) -> None:
    """By hand: 305 g less the bag of 30 g, at 1.041 g/mL, are 264 mL; a bag of 246 mL weighs 286 g."""
    weighed = {"step": 1, "in_ml": 0, "out_ml": 264, "weighed_g": 305, "bag": "small", "tare_g": 30}
    Entry.objects.filter(exchange_session=finished, number=1).update(body=weighed)
    correct(finished, nurse, number=1, in_ml=10, out_ml=out_ml)
    right = Entry.objects.filter(kind="moved").latest("number").body
    assert (right["out_ml"], "weighed_g" in right, "tare_g" in right) == (out_ml, kept, kept)


def test_noughts_take_a_volume_out(finished: ExchangeSession, nurse: User) -> None:
    correct(finished, nurse, number=1, in_ml=0, out_ml=0)
    stored = ExchangeSession.objects.get(pk=finished.pk)
    assert (stored.saline_in_ml, stored.blood_out_ml) == (0, 500)


def test_a_volume_is_put_right_with_a_reason_before_closing_and_only_once(
    finished: ExchangeSession, nurse: User
) -> None:
    with pytest.raises(ValidationError, match="Say why"):
        correct(finished, nurse, why="")
    correct(finished, nurse)
    with pytest.raises(ValidationError, match="Entry 2 is no volume that counts"):
        correct(finished, nurse, key="k2")
    ExchangeSession.objects.update(state="closed")
    with pytest.raises(ValidationError, match="a consultant can open a closed one again"):
        correct(finished, nurse, number=1)


def test_blood_drawn_to_lower_hb_is_added_to_the_session(finished: ExchangeSession, nurse: User) -> None:
    afterwards.add_volume(
        exchange_session=finished, in_ml=200, out_ml=200, happened_at=NOW - timedelta(minutes=10),
        why="Hb over the ceiling", key="a", actor=nurse, at=NOW,
    )  # fmt: skip
    stored = ExchangeSession.objects.get(pk=finished.pk)
    assert (stored.saline_in_ml, stored.blood_out_ml) == (600, 1100)
    assert stored.ended_at == NOW - timedelta(minutes=10)


def add(session: ExchangeSession, nurse: User, minutes: int, key: str) -> None:
    afterwards.add_volume(
        exchange_session=session, in_ml=0, out_ml=50 + minutes, happened_at=ENDED - timedelta(minutes=minutes),
        why="not entered", key=key, actor=nurse, at=NOW,
    )  # fmt: skip


def test_volumes_added_one_after_the_other_stand_in_the_order_of_their_times(
    finished: ExchangeSession, nurse: User
) -> None:
    for minutes, key in ((30, "a"), (50, "b"), (40, "c"), (119, "d")):
        add(finished, nurse, minutes, key)
    drawn = [one.out_ml for one in tally_of(finished).moved]
    assert drawn == [400, 169, 100, 90, 80, 500]


def test_a_volume_is_not_added_long_before_the_session_was_started(finished: ExchangeSession, nurse: User) -> None:
    with pytest.raises(ValidationError, match="more than 4 h before the session was started"):
        add(finished, nurse, 361, "a")
    add(finished, nurse, 360, "a")
    assert ExchangeSession.objects.get(pk=finished.pk).started_at == ENDED - timedelta(hours=6)


# Contacts that fall due


@pytest.fixture
def call(finished: ExchangeSession) -> FollowUp:
    return FollowUp.objects.create(
        patient=finished.patient, exchange_session=finished, kind="late_call", due_on=TODAY, opened_at=NOW
    )


def test_what_came_of_a_call_is_kept_and_it_is_done(call: FollowUp, nurse: User) -> None:
    following.end_follow_up(follow_up=call, version=1, outcome="well, no signs", actor=nurse, at=NOW)
    stored = FollowUp.objects.get()
    assert (stored.done_at, stored.done_by, stored.outcome) == (NOW, nurse, "well, no signs")
    assert not HaemolysisSign.objects.exists()
    with pytest.raises(ValidationError, match="recorded already"):
        following.end_follow_up(follow_up=call, version=2, outcome="again", actor=nurse, at=NOW)


def test_signs_told_on_the_telephone_become_signs_of_haemolysis(call: FollowUp, nurse: User) -> None:
    day = TODAY - timedelta(days=2)
    following.end_follow_up(
        follow_up=call, version=1, outcome="cola-coloured urine", signs=["dark_urine", "new_pain"], signs_on=day,
        actor=nurse, at=NOW,
    )  # fmt: skip
    assert set(HaemolysisSign.objects.values_list("sign", "on")) == {("dark_urine", day), ("new_pain", day)}


def test_a_call_without_an_outcome_stays_open(call: FollowUp, nurse: User) -> None:
    with pytest.raises(ValidationError, match="Say what came of it"):
        following.end_follow_up(follow_up=call, version=1, outcome=" ", actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="on which day"):
        following.end_follow_up(follow_up=call, version=1, outcome="pain", signs=["new_pain"], actor=nurse, at=NOW)
    with pytest.raises(EditedMeanwhile):
        following.end_follow_up(follow_up=call, version=2, outcome="well", actor=nurse, at=NOW)
    assert FollowUp.objects.get().done_at is None


def test_somebody_not_reached_is_tried_again_on_another_day(call: FollowUp, nurse: User) -> None:
    later = TODAY + timedelta(days=1)
    following.try_again(follow_up=call, version=1, due_on=later, tried="no answer, left word", actor=nurse, at=NOW)
    stored = FollowUp.objects.get()
    assert (stored.due_on, stored.done_at) == (later, None)
    assert TrailEntry.objects.get(action="try follow-up again").why == "no answer, left word"


def test_one_check_of_hb_is_open_at_a_time(finished: ExchangeSession, nurse: User) -> None:
    given = {"exchange_session": finished, "words": "Hb 118", "actor": nurse, "at": NOW}
    row = afterwards.open_recheck(**given, due_on=TODAY + timedelta(days=1))
    assert (row.kind, row.due_on) == ("recheck", TODAY + timedelta(days=1))
    with pytest.raises(ValidationError, match="open already"):
        afterwards.open_recheck(**given, due_on=TODAY + timedelta(days=2))
    row.delete()
    with pytest.raises(ValidationError, match="before the session"):
        afterwards.open_recheck(**given, due_on=TODAY - timedelta(days=1))


def test_the_result_of_an_early_sample_still_counts(finished: ExchangeSession, nurse: User) -> None:
    sample(finished, nurse, taken_at=ENDED + timedelta(minutes=5))
    afterwards.record_after_results(exchange_session=finished, values={Analyte.HBS: 18.0}, actor=nurse, at=NOW)
    assert SessionFacts.objects.get(exchange_session=finished).hbs_after_pct == 18
