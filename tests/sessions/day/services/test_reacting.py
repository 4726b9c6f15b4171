"""A reaction stops the run, is kept, opens what is to follow, and is judged later."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from programme.core.models import EditedMeanwhile, TrailEntry
from sessions.day.models import AdverseEvent, Entry, FollowUp
from sessions.day.queries import tally_of
from sessions.day.services.entering import add_entry
from sessions.day.services.reacting import Judgement, Seen, judge_reaction, note_reaction, stop_for_reaction
from sessions.models import ExchangeSession, HaemolysisSign
from tests.factories import (
    NOW,
    TODAY,
    make_exchange_session,
    make_patient,
    make_prescription,
    make_unit,
)

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
NOT_SAID, LIKELY = Judgement(), Judgement(1, "possible")


@pytest.fixture
def running(site, consultant):
    patient = make_patient("R1", site=site)
    running = make_exchange_session(
        patient, on=TODAY, state="running", origin="here", started_at=NOW, hbs_after_pct=None, hb_after_g_l=None
    )
    make_prescription(running, signed_by=consultant)
    make_unit(running, state="running", donation_number="Z999026000417")
    return running


@pytest.fixture
def note(running, nurse):
    def note(kind="febrile", *, at=NOW + 20 * MINUTE, seen_at=None, place=1, judgement=NOT_SAID, key="n", **more):
        seen = Seen(kind, seen_at or at, place, **{"signs": "rigors, 39.1 °C", "done": "stopped", **more})
        return note_reaction(
            patient=running.patient, exchange_session=running, key=key, seen=seen, judgement=judgement, actor=nurse,
            at=at,
        )  # fmt: skip

    return note


def refusal(call, *args, **more):
    with pytest.raises(ValidationError) as refused:
        call(*args, **more)
    return " ".join(refused.value.messages)


def test_the_run_is_stopped_at_once_and_only_once(running, nurse):
    stop_for_reaction(exchange_session=running, key="s", actor=nurse, at=NOW)
    assert stop_for_reaction(exchange_session=running, key="s2", actor=nurse, at=NOW + MINUTE) is None
    assert tally_of(running).paused_since == NOW
    assert Entry.objects.get().body["words"] == "stopped for a reaction"


def test_a_run_that_was_paused_for_something_else_is_stopped_too(running, nurse):
    """The touch on Reaction must not be lost because a cannula was being looked at."""
    add_entry(
        exchange_session=running, key="p", kind="pause", body={"words": "cannula"}, actor=nurse, at=NOW, seen=0
    )  # fmt: skip
    stop_for_reaction(exchange_session=running, key="s", actor=nurse, at=NOW + MINUTE)
    state = tally_of(running)
    assert (state.halted, len(state.unnoted_stops)) == (True, 1)
    assert "Say who decided that it goes on" in refusal(going_on, running, nurse, "r1", seen=9, words="")


def going_on(running, nurse, key, *, kind="resume", seen=0, **body):
    at = NOW + 30 * MINUTE
    return add_entry(exchange_session=running, key=key, kind=kind, body=body, actor=nurse, at=at, seen=seen)


def test_a_run_stopped_for_a_reaction_goes_on_only_with_who_decided_it(running, note, nurse):
    stop = stop_for_reaction(exchange_session=running, key="s", actor=nurse, at=NOW)
    note()
    assert tally_of(running).halted
    assert "Say who decided that it goes on" in refusal(going_on, running, nurse, "r1", words="  ")
    assert "is not undone: go on" in refusal(going_on, running, nurse, "u", kind="undo", number=stop.number)
    assert tally_of(running).paused_since == NOW
    going_on(running, nurse, "r2", words="Dr Calloway: febrile, unit sent back, go on with the next")
    state = tally_of(running)
    assert (state.halted, state.paused_since) == (False, None)


def test_a_reaction_noted_in_a_pause_for_something_else_holds_it_too(running, note, nurse):
    going_on(running, nurse, "p", kind="pause", words="cannula")
    going_on(running, nurse, "r0")
    going_on(running, nurse, "p2", kind="pause", words="cannula again")
    assert not tally_of(running).halted
    note(at=NOW + 31 * MINUTE)
    assert tally_of(running).halted
    assert "Say who decided" in refusal(going_on, running, nurse, "r1")


def test_the_stop_for_a_reaction_is_never_undone_so_that_taking_the_going_on_back_stops_again(running, note, nurse):
    going_on(running, nurse, "p", kind="pause", words="cannula")
    note(at=NOW + 31 * MINUTE)
    went_on = going_on(running, nurse, "r", words="Dr Calloway: go on")
    assert "A stop for a reaction is not undone" in refusal(going_on, running, nurse, "u1", kind="undo", number=1)
    going_on(running, nurse, "u2", kind="undo", number=went_on.number)
    state = tally_of(running)
    assert (state.halted, state.paused_since) == (True, NOW + 30 * MINUTE)


def test_who_has_not_seen_the_stop_of_somebody_else_does_not_lift_it(running, note, nurse, consultant):
    """A tablet that was cut off said 'go on' about an earlier pause."""
    note()
    words = "Dr Calloway: a new cannula"
    assert "after this was entered" in refusal(going_on, running, consultant, "r1", words=words, seen=1)
    assert tally_of(running).halted
    going_on(running, consultant, "r2", words="Dr Calloway: febrile, go on", seen=2)
    assert not tally_of(running).halted


def test_a_reaction_noted_after_the_session_was_given_up_stands_among_its_entries(running, note):
    running.state, running.ended_reason = "abandoned", "rigors"
    running.save()
    note()
    assert list(Entry.objects.values_list("kind", flat=True)) == ["reaction"]


def test_a_reaction_is_noted_with_unit_entry_follow_up_and_trail(running, note, nurse):
    before = running.patient.data_version
    event = note(judgement=Judgement(2, "probable"))
    assert (event.kind, event.unit.place, event.severity, event.imputability) == ("febrile", 1, 2, "probable")
    assert tally_of(running).paused_since == NOW + 20 * MINUTE
    assert list(Entry.objects.order_by("number").values_list("kind", flat=True)) == ["pause", "reaction"]
    entry = Entry.objects.get(kind="reaction")
    assert (entry.body["event"], entry.body["unit"]) == (event.pk, 1)
    follow_up = FollowUp.objects.get()
    assert (follow_up.kind, follow_up.due_on) == ("reaction", date(2026, 6, 2))
    assert TrailEntry.objects.filter(action="note reaction", actor=nurse).count() == 1
    running.patient.refresh_from_db()
    assert running.patient.data_version == before + 1
    assert not HaemolysisSign.objects.exists()


@pytest.mark.parametrize("kind", ["acute_haemolytic", "delayed_haemolytic"])
def test_suspected_haemolysis_opens_a_sign_so_that_red_cells_are_barred(running, note, kind):
    note(kind)
    sign = HaemolysisSign.objects.get()
    assert (sign.sign, sign.on, sign.patient) == ("reaction", TODAY, running.patient)
    assert "haemolytic: rigors" in sign.note


def test_a_late_reaction_is_noted_with_a_closed_session_without_touching_its_entries(running, note):
    running.state = "closed"
    running.save()
    event = note("delayed_haemolytic", at=NOW + timedelta(days=9))
    assert event.exchange_session_id == running.pk
    assert not Entry.objects.exists()
    assert HaemolysisSign.objects.get().on == date(2026, 6, 10)


def test_a_first_sign_typed_to_the_minute_of_the_start_is_kept(running, note):
    ExchangeSession.objects.filter(pk=running.pk).update(started_at=NOW + timedelta(seconds=40))
    assert note(seen_at=NOW).at == NOW


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"kind": "nonsense"}, "Say what kind"),
        ({"seen_at": NOW + timedelta(hours=3)}, "still to come"),
        ({"seen_at": NOW - MINUTE}, "before the session was started"),
        ({"signs": " "}, "Say what was seen"),
        ({"place": 7}, "Unit 7 is not in this session"),
        ({"judgement": Judgement(4, "unlikely")}, "Grade 4 is for a death"),
        ({"judgement": Judgement(5, "possible")}, "no grade"),
    ],
)
def test_a_reaction_that_cannot_be_is_refused_and_nothing_is_kept(note, wrong, words):
    assert words in refusal(note, **wrong)
    assert not AdverseEvent.objects.exists()
    assert not Entry.objects.exists()
    assert not FollowUp.objects.exists()


def judged(event, actor, *, kind="febrile", judgement=LIKELY, why="", version=None, at=NOW + MINUTE):
    return judge_reaction(
        event=event, version=version or event.version, kind=kind, judgement=judgement, outcome="well the next day",
        why=why, actor=actor, at=at,
    )  # fmt: skip


def test_only_a_consultant_judges(note, nurse, consultant):
    event = note()
    with pytest.raises(PermissionDenied):
        judged(event, nurse)
    event = judged(event, consultant)
    assert (event.severity, event.imputability, event.judged_by) == (1, "possible", consultant)


def test_a_judgement_made_anew_needs_a_reason_and_the_earlier_one_stays_in_the_trail(note, consultant):
    event = judged(note(), consultant)
    assert "judged before" in refusal(judged, event, consultant, judgement=Judgement(2, "excluded"))
    judged(event, consultant, judgement=Judgement(2, "excluded"), why="culture grew bacteria from the port")
    entries = TrailEntry.objects.filter(action="judge reaction").order_by("number")
    assert [(e.after["severity"], e.after["imputability"]) for e in entries] == [(1, "possible"), (2, "excluded")]
    assert entries[1].before["severity"] == 1
    assert entries[1].why == "culture grew bacteria from the port"


@pytest.mark.parametrize(
    ("judgement", "words"),
    [
        (Judgement(None, "possible"), "how severe"),
        (Judgement(2, ""), "how likely"),
        (Judgement(4, "excluded"), "Grade 4"),
    ],
)
def test_a_judgement_says_grade_and_imputability_that_go_together(note, consultant, judgement, words):
    assert words in refusal(judged, note(), consultant, judgement=judgement)


def test_a_reaction_found_to_be_haemolysis_later_opens_a_sign_then(note, consultant):
    event = note()
    assert not HaemolysisSign.objects.exists()
    event = judged(event, consultant, kind="acute_haemolytic")
    judged(event, consultant, kind="delayed_haemolytic", why="late")
    assert HaemolysisSign.objects.count() == 1


def test_two_who_judge_at_once_are_told(note, consultant):
    event = note()
    judged(event, consultant)
    with pytest.raises(EditedMeanwhile):
        judged(event, consultant, version=event.version, why="again")


def test_no_entry_of_a_reaction_is_sent_by_the_bedside_page_itself(running, nurse):
    said = {"exchange_session": running, "key": "k", "kind": "reaction", "body": {}, "actor": nurse, "at": NOW}
    assert "was not kept" in refusal(add_entry, **said)
