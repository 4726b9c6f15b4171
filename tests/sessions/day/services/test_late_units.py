"""A unit that was given and not recorded at the chair: it is recorded afterwards, whatever speaks against it."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from programme.core.models import TrailEntry
from sessions.day.models import Entry, FollowUp
from sessions.day.numeric.checks import STOP
from sessions.day.queries import tally_of
from sessions.day.services.afterwards import correct_totals
from sessions.day.services.finishing import checks_to_close
from sessions.day.services.late_units import against_given, record_given_unit
from sessions.day.services.units import Label
from sessions.models import DonationUnit, ExchangeSession, SessionFacts
from tests.day import ENDED, automated_day, finished_day, running_day
from tests.factories import NOW, make_needs, make_patient

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]

LABEL = Label(
    "G123498654321", "O", "+", date(2026, 6, 20), negative=frozenset({"C", "E", "K"}), hbs_negative=True,
    volume_ml=250.0, hb_g=50.0,
)  # fmt: skip


@pytest.fixture
def patient(site: Any) -> Any:
    patient = make_patient("SM-042")
    make_needs(patient)
    return patient


@pytest.fixture
def finished(patient: Any, nurse: Any, consultant: Any) -> ExchangeSession:
    return finished_day(patient, nurse=nurse, consultant=consultant)


def record(session: ExchangeSession, nurse: Any, **more: Any) -> DonationUnit:
    given: dict[str, Any] = {
        "label": LABEL, "out_of_storage_at": None, "started_at": ENDED - timedelta(minutes=50),
        "ended_at": ENDED - timedelta(minutes=10), "in_ml": 250.0, "checked_by": "two nurses, on paper",
        "why": "an empty bag was found", "key": "late", "actor": nurse, "at": NOW, **more,
    }  # fmt: skip
    return record_given_unit(exchange_session=session, **given)


def test_it_counts_as_any_other_unit_and_can_be_traced(finished: ExchangeSession, nurse: Any) -> None:
    before = ExchangeSession.objects.get(pk=finished.pk)
    unit = record(finished, nurse)
    after = ExchangeSession.objects.get(pk=finished.pk)
    assert after.red_cells_in_ml == before.red_cells_in_ml + 250
    assert after.units == before.units + 1
    assert after.blood_out_ml == before.blood_out_ml
    stored = DonationUnit.objects.get(pk=unit.pk)
    assert (stored.state, stored.donation_number, stored.ended_at) == ("given", "G123498654321", unit.ended_at)
    (moved,) = [one for one in tally_of(after).moved if one.unit == unit.place]
    assert (moved.in_ml, moved.cells_hb_g_l, moved.fluid) == (250.0, 200.0, "red_cells")  # 50 g in 250 mL
    assert SessionFacts.objects.get(exchange_session=finished).hbs_ratio is not None
    started = Entry.objects.get(exchange_session=finished, kind="unit_started", body__unit=unit.place)
    assert (started.why, started.body["checked_by"]) == ("an empty bag was found", "two nurses, on paper")
    assert TrailEntry.objects.filter(action="record given unit", actor=nurse).count() == 1


def test_what_speaks_against_it_is_said_and_kept_and_not_refused(finished: ExchangeSession, nurse: Any) -> None:
    wrong = Label("G123498654321", "A", "+", date(2026, 5, 20), hbs_negative=True)
    unit = record(finished, nurse, label=wrong)
    said = " ".join(against_given(unit))
    assert "Wrong group: the unit is A" in said and "Expired on 20 May 2026." in said
    assert "Do not give" not in said
    kept = Entry.objects.get(exchange_session=finished, kind="unit_started", body__unit=unit.place)
    assert kept.body["against"] == against_given(unit)


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"why": " "}, "reason"),
        ({"in_ml": None}, "Say how much of it was given"),
        ({"ended_at": NOW + timedelta(hours=1)}, "in the future"),
        ({"ended_at": ENDED - timedelta(hours=1)}, "cannot end before it starts"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    finished: ExchangeSession, nurse: Any, wrong: dict[str, Any], sentence: str
) -> None:
    units, entries = DonationUnit.objects.count(), Entry.objects.count()
    with pytest.raises(ValidationError, match=sentence):
        record(finished, nurse, **wrong)
    assert (DonationUnit.objects.count(), Entry.objects.count()) == (units, entries)


def test_one_that_is_recorded_already_is_refused(finished: ExchangeSession, nurse: Any) -> None:
    record(finished, nurse)
    with pytest.raises(ValidationError, match="recorded already in this session: given"):
        record(finished, nurse, key="again")
    assert DonationUnit.objects.filter(donation_number="G123498654321").count() == 1


def test_while_it_runs_a_unit_is_checked_at_the_chair(patient: Any, nurse: Any, consultant: Any) -> None:
    running = running_day(patient, nurse=nurse, consultant=consultant)
    with pytest.raises(ValidationError, match="This session is running"):
        record(running, nurse)


def test_of_a_machine_the_totals_are_then_put_right(patient: Any, nurse: Any, consultant: Any) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant, make=automated_day)
    record(session, nurse, in_ml=None)
    stops = [check.sentence for check in checks_to_close(session, at=NOW) if check.state == STOP]
    assert any("the totals say 3 units, 4 were started" in words for words in stops)
    totals = tally_of(session).totals
    assert totals is not None
    correct_totals(
        exchange_session=session, totals=replace(totals, units=4), why="one was found", key="t", actor=nurse, at=NOW
    )
    assert ExchangeSession.objects.get(pk=session.pk).units == 4


def test_the_first_red_cells_of_a_session_let_the_late_call_fall_due(patient: Any, nurse: Any, consultant: Any) -> None:
    session = finished_day(patient, nurse=nurse, consultant=consultant)
    FollowUp.objects.all().delete()
    record(session, nurse)
    assert FollowUp.objects.get().kind == "late_call"
