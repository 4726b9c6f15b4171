"""An automated session: its totals are one entry with an author, and all that is stored is read from it alone."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from programme.core.models import TrailEntry, User
from programme.core.settings_of_site import site_settings
from sessions.day.models import Entry, FollowUp
from sessions.day.queries import ending_of, tally_of
from sessions.day.services import afterwards, finishing
from sessions.day.services.entering import add_entry
from sessions.models import DonationUnit, ExchangeSession, ExchangeStep, SessionFacts
from tests.day import ENDED, MACHINE_DONE, MACHINE_TOTALS, MACHINE_UNITS, STARTED, automated_day, finished_day
from tests.factories import NOW, make_patient, make_user

pytestmark = pytest.mark.django_db

LATER = ENDED + timedelta(minutes=30)


@pytest.fixture
def patient() -> Any:
    return make_patient()


@pytest.fixture
def nurse(patient: Any) -> User:
    return make_user(site=patient.site)


@pytest.fixture
def consultant(patient: Any) -> User:
    return make_user(role="consultant", site=patient.site)


@pytest.fixture
def machine(patient: Any, nurse: User, consultant: User) -> ExchangeSession:
    """Three units given one after another, no totals yet."""
    return automated_day(patient, nurse=nurse, consultant=consultant, entries=MACHINE_UNITS)


@pytest.fixture
def finished(patient: Any, nurse: User, consultant: User) -> ExchangeSession:
    return finished_day(patient, nurse=nurse, consultant=consultant, make=automated_day)


def enter(session: ExchangeSession, actor: User, key: str = "t", at: Any = LATER, **changed: Any) -> Entry:
    """Enter totals at the chair."""
    body = {**MACHINE_TOTALS, **changed}
    return add_entry(exchange_session=session, key=key, kind="totals", body=body, actor=actor, at=at)


def finish(session: ExchangeSession, nurse: User, **given: Any) -> ExchangeSession:
    values = {"version": session.version, "actor": nurse, "at": LATER, "key": f"f{session.version}", **given}
    return finishing.finish(exchange_session=session, **values)


def abandon(session: ExchangeSession, nurse: User, **given: Any) -> ExchangeSession:
    values = {"version": session.version, "actor": nurse, "at": LATER, "key": f"a{session.version}", **given}
    return finishing.abandon(exchange_session=session, reason="alarm", **values)


# Entering


def test_totals_are_an_entry_with_who_and_when(machine: ExchangeSession, nurse: User) -> None:
    entry = enter(machine, nurse)
    assert (entry.kind, entry.by, entry.happened_at) == ("totals", nurse, LATER)
    totals = tally_of(machine).totals
    assert totals is not None
    assert (totals.in_ml, totals.blood_out_ml, totals.units, totals.number) == (974, 980, 3, entry.number)
    assert TrailEntry.objects.filter(action="enter totals", actor=nurse).count() == 1


def test_of_two_totals_made_apart_the_later_is_refused_and_says_what_stands(
    machine: ExchangeSession, nurse: User
) -> None:
    first = enter(machine, nurse)
    with pytest.raises(ValidationError, match=rf"entered already \(entry {first.number}: in 974 mL, out 980 mL, 3 un"):
        enter(machine, nurse, key="t2", blood_out_ml=1000)
    add_entry(exchange_session=machine, key="u", kind="undo", body={"number": first.number}, actor=nurse, at=LATER)
    assert tally_of(machine).totals is None
    enter(machine, nurse, key="t3", blood_out_ml=1000)
    assert tally_of(machine).totals.blood_out_ml == 1000


def test_totals_are_for_automated_sessions_and_for_no_others(machine: ExchangeSession, nurse: User) -> None:
    ExchangeSession.objects.update(method="two_arm")
    with pytest.raises(ValidationError, match="Totals are entered for an automated session, and for no other"):
        enter(ExchangeSession.objects.get(pk=machine.pk), nurse)


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"ended_at": (STARTED - timedelta(hours=1)).isoformat()}, "cannot end before it starts"),
        ({"ended_at": (LATER + timedelta(hours=1)).isoformat()}, "is in the future"),
        ({"started_at": (STARTED - timedelta(hours=9)).isoformat()}, "more than 4 h before the session was started"),
        ({"started_at": "10:15"}, "started_at: '10:15' is no date and time"),
        ({"ended_at": "2026-06-01T10:15"}, "ended_at needs its offset from UTC"),
        ({"units": 0}, "at least one unit"),
        ({"red_cells_in_ml": 0}, "Units were given, so red cells were"),
        ({"red_cells_in_ml": 7740}, "Red cells in: 7740 is not possible; allowed is 0 to 6000 mL"),
        ({"saline_in_ml": float("nan")}, "Saline in: nan is no number"),
        ({"units": 2.5}, "units: 2.5 is not allowed"),
        ({"saline_in_ml": 0, "red_cells_in_ml": 0, "blood_out_ml": 0, "units": 0}, "Totals of 0 mL say nothing"),
        ({"end_words": "x" * 301}, "at most 300 characters"),
    ],
)
def test_totals_that_cannot_be_are_refused(
    machine: ExchangeSession, nurse: User, wrong: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(ValidationError, match=sentence):
        enter(machine, nurse, **wrong)
    assert not Entry.objects.filter(kind="totals").exists()


# Finishing


def test_finishing_writes_the_totals_and_the_units_that_were_started(machine: ExchangeSession, nurse: User) -> None:
    enter(machine, nurse)
    finish(machine, nurse)
    stored = ExchangeSession.objects.get(pk=machine.pk)
    assert (stored.saline_in_ml, stored.red_cells_in_ml, stored.blood_out_ml, stored.units) == (200, 774, 980, 3)
    assert (stored.started_at, stored.ended_at) == (STARTED + timedelta(minutes=5), ENDED)
    assert not ExchangeStep.objects.exists()
    assert not Entry.objects.filter(kind="note").exists()
    units = DonationUnit.objects.order_by("place")
    assert [unit.state for unit in units] == ["given"] * 3
    assert units[0].started_at == STARTED + timedelta(minutes=12)
    assert SessionFacts.objects.get(exchange_session=stored).hbs_ratio is not None


def test_it_is_not_finished_without_totals(machine: ExchangeSession, nurse: User) -> None:
    with pytest.raises(ValidationError, match="Totals of the machine: not entered, though 3 units were started"):
        finish(machine, nurse, reason="in a hurry")
    assert ExchangeSession.objects.get(pk=machine.pk).state == "running"


def test_nor_where_the_totals_say_another_number_of_units_than_were_started(
    machine: ExchangeSession, nurse: User
) -> None:
    """The units that count are those started, not the first places of the plan."""
    Entry.objects.filter(kind__startswith="unit_", body__unit=2).delete()
    DonationUnit.objects.filter(place=2).update(state="returned", end_reason="not needed")
    entry = enter(machine, nurse)
    label = f"G{machine.pk:04d}260000"
    with pytest.raises(ValidationError, match=rf"the totals say 3 units, 2 were started here \({label}1, {label}3\)"):
        finish(machine, nurse, reason="in a hurry")
    add_entry(exchange_session=machine, key="u", kind="undo", body={"number": entry.number}, actor=nurse, at=LATER)
    enter(machine, nurse, key="t2", units=2, red_cells_in_ml=516)
    finish(machine, nurse)
    stored = ExchangeSession.objects.get(pk=machine.pk)
    assert (stored.state, stored.units) == ("finished", 2)
    assert ending_of(stored, at=LATER, settings=site_values(stored)).carried_out.places == (1, 3)


def test_totals_past_a_stop_of_volume_need_a_reason_which_is_kept(machine: ExchangeSession, nurse: User) -> None:
    ExchangeSession.objects.update(weight_kg=60.0)
    enter(machine, nurse, saline_in_ml=920, blood_out_ml=1700)
    with pytest.raises(ValidationError, match="Say why it is finished although this stands: Saline given: 920 mL; all"):
        finish(machine, nurse)
    assert ExchangeSession.objects.get(pk=machine.pk).state == "running"
    finish(machine, nurse, reason="the line was flushed twice, as Dr Ashdown-Vey decided")
    note = Entry.objects.get(exchange_session=machine, kind="note").body["words"]
    assert note == (
        "Finished although: Saline given: 920 mL; allowed is 900 mL. "
        "Reason: the line was flushed twice, as Dr Ashdown-Vey decided"
    )


@pytest.mark.parametrize("state", ["at_chair", "checked"])
def test_nor_while_a_unit_is_neither_started_nor_put_away(machine: ExchangeSession, nurse: User, state: str) -> None:
    Entry.objects.filter(kind__startswith="unit_", body__unit=3).delete()
    DonationUnit.objects.filter(place=3).update(state=state)
    enter(machine, nurse)
    with pytest.raises(ValidationError, match=f"Units not given: G{machine.pk:04d}2600003: return or discard"):
        finish(machine, nurse, reason="in a hurry")
    assert DonationUnit.objects.get(place=3).state == state


def test_a_unit_given_outside_the_times_of_the_totals_is_asked_about(machine: ExchangeSession, nurse: User) -> None:
    enter(machine, nurse, ended_at=(STARTED + timedelta(minutes=92)).isoformat())
    with pytest.raises(ValidationError, match="unit 3 lies wholly outside the times of the totals"):
        finish(machine, nurse)
    assert finish(machine, nurse, reason="the machine's clock is an hour off").state == "finished"


def site_values(session: ExchangeSession) -> dict[str, float]:
    return site_settings(session.patient.site, LATER)


# Giving up


def test_given_up_it_keeps_the_totals_that_were_entered(machine: ExchangeSession, nurse: User) -> None:
    enter(machine, nurse)
    abandon(machine, nurse)
    stored = ExchangeSession.objects.get(pk=machine.pk)
    assert (stored.state, stored.red_cells_in_ml, stored.units, stored.has_happened) == ("abandoned", 774, 3, True)
    assert FollowUp.objects.get().kind == "late_call"


def test_given_up_after_a_unit_was_started_it_asks_for_its_totals(machine: ExchangeSession, nurse: User) -> None:
    with pytest.raises(ValidationError, match="not entered, though 3 units were started"):
        abandon(machine, nurse)


def test_given_up_before_anything_was_done_it_does_not_count(patient: Any, nurse: User, consultant: User) -> None:
    session = automated_day(patient, nurse=nurse, consultant=consultant, entries=())
    abandon(session, nurse)
    stored = ExchangeSession.objects.get(pk=session.pk)
    assert (stored.state, stored.has_happened) == ("abandoned", False)


def test_totals_that_waited_in_a_tablet_while_another_gave_the_session_up_count(
    patient: Any, nurse: User, consultant: User
) -> None:
    session = automated_day(patient, nurse=nurse, consultant=consultant, entries=())
    abandon(session, nurse)
    body = {**MACHINE_TOTALS, "red_cells_in_ml": 0, "units": 0}
    said = {"exchange_session": session, "kind": "totals", "actor": nurse, "at": LATER + timedelta(minutes=2)}
    with pytest.raises(ValidationError, match="say 3 units, 0 were started before the session ended"):
        add_entry(**said, key="wrong", body=MACHINE_TOTALS, waited_s=300)
    add_entry(**said, key="late", body=body, waited_s=300)
    stored = ExchangeSession.objects.get(pk=session.pk)
    assert (stored.saline_in_ml, stored.blood_out_ml, stored.has_happened) == (200, 980, True)


# Putting right


def right(session: ExchangeSession, nurse: User, **changed: Any) -> None:
    totals = tally_of(session).totals
    assert totals is not None
    afterwards.correct_totals(
        exchange_session=session, totals=replace(totals, **changed), why="read from the wrong line", key="r",
        actor=nurse, at=LATER,
    )  # fmt: skip


def test_totals_put_right_are_a_new_entry_and_the_session_is_written_anew(
    finished: ExchangeSession, nurse: User
) -> None:
    before = SessionFacts.objects.get(exchange_session=finished).hbs_ratio
    right(finished, nurse, blood_out_ml=1080)
    stored = ExchangeSession.objects.get(pk=finished.pk)
    assert (stored.blood_out_ml, stored.red_cells_in_ml) == (1080, 774)
    assert tally_of(finished).totals.blood_out_ml == 1080
    # By mass: what a machine drew says nothing of the haemoglobin it took off, so the reckoning stays.
    assert SessionFacts.objects.get(exchange_session=finished).hbs_ratio == pytest.approx(before)
    wrong, undo, new = Entry.objects.filter(exchange_session=finished).order_by("number")[len(MACHINE_DONE) - 1 :]
    assert (wrong.kind, undo.kind, new.kind) == ("totals", "undo", "totals")
    assert (undo.body["number"], new.why, wrong.body["blood_out_ml"]) == (wrong.number, "read from the wrong line", 980)


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"units": 2}, "the totals say 2 units, 3 were started here"),
        ({"ended_at": LATER + timedelta(hours=1)}, "in the future"),
        ({"blood_out_ml": 9000.0}, "Blood out: 9000 is not possible"),
    ],
)
def test_totals_that_cannot_be_put_nothing_right(
    finished: ExchangeSession, nurse: User, changed: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(ValidationError, match=sentence):
        right(finished, nurse, **changed)
    assert tally_of(finished).totals.blood_out_ml == 980
    assert not Entry.objects.filter(kind="undo").exists()


def test_totals_of_a_session_that_ended_are_not_merely_undone(finished: ExchangeSession, nurse: User) -> None:
    number = Entry.objects.get(kind="totals").number
    with pytest.raises(ValidationError, match="put right with a reason, not undone"):
        add_entry(exchange_session=finished, key="u", kind="undo", body={"number": number}, actor=nurse, at=LATER)


def test_single_volumes_are_not_added_to_an_automated_session(finished: ExchangeSession, nurse: User) -> None:
    with pytest.raises(ValidationError, match="This session is automated"):
        afterwards.add_volume(
            exchange_session=finished, in_ml=0, out_ml=200, happened_at=LATER, why="Hb high", key="v", actor=nurse,
            at=LATER,
        )  # fmt: skip
    assert ExchangeSession.objects.get(pk=finished.pk).blood_out_ml == 980


def test_an_observation_after_the_end_rewrites_nothing(finished: ExchangeSession, nurse: User) -> None:
    body = {"moment": "going_home", "pulse": 80}
    add_entry(exchange_session=finished, key="o", kind="observation", body=body, actor=nurse, at=NOW)
    assert not TrailEntry.objects.filter(action="rewrite totals").exists()
