"""Times of units put right: never before the check or the start checks, and no end before its start."""

from datetime import datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from programme.core.models import TrailEntry, User
from sessions.day.models import Entry
from sessions.day.queries import tally_of
from sessions.day.services.entering import add_entry
from sessions.models import DonationUnit, ExchangeSession
from tests.factories import NOW, make_entry, make_patient, make_running, make_site, make_user

pytestmark = pytest.mark.django_db

BEGAN = NOW - timedelta(hours=3, seconds=-20)  # the checks were signed 20 s into their minute
CHECKED = NOW - timedelta(minutes=120, seconds=-40)
STARTED, ENDED = NOW - timedelta(minutes=60), NOW - timedelta(minutes=10)
START, END = 3, 4


@pytest.fixture
def nurse() -> User:
    return make_user(site=make_site())


@pytest.fixture
def running(nurse: User) -> ExchangeSession:
    """One unit, checked, started and ended, after the start checks and the observations before."""
    session = make_running(make_patient(site=nurse.site), by=nurse, units=1, unit_state="given", started_at=BEGAN)
    DonationUnit.objects.update(checked_at=CHECKED, started_at=STARTED, ended_at=ENDED)
    for kind, at in (("unit_started", STARTED), ("unit_ended", ENDED)):
        make_entry(session, kind, {"unit": 1}, by=nurse, happened_at=at, received_at=at)
    return session


def put_right(session: ExchangeSession, nurse: User, number: int, moment: datetime) -> Entry:
    body = {"number": number, "happened_at": moment.isoformat()}
    key = f"{number}-{moment.isoformat()}"
    said = {"exchange_session": session, "key": key, "kind": "time", "body": body, "actor": nurse}
    return add_entry(**said, at=NOW, why="entered late")


def minute(moment: datetime) -> datetime:
    return moment.replace(second=0, microsecond=0)


def test_a_unit_cannot_have_been_started_before_its_check(running: ExchangeSession, nurse: User) -> None:
    moment = minute(CHECKED) - timedelta(minutes=1)
    with pytest.raises(ValidationError) as refused:
        put_right(running, nurse, START, moment)
    (said,) = refused.value.messages
    assert said.startswith("Unit 1 was checked at 08:00: it cannot have been started before, at 07:59."), "London"
    assert Entry.objects.count() == 4


def test_nor_before_the_start_checks_of_the_session(running: ExchangeSession, nurse: User) -> None:
    DonationUnit.objects.update(checked_at=BEGAN - timedelta(minutes=15))
    with pytest.raises(ValidationError, match=r"start checks of this session were made at .*: unit 1 cannot have been"):
        put_right(running, nurse, START, minute(BEGAN) - timedelta(minutes=1))
    assert Entry.objects.count() == 4


def test_within_the_minute_of_its_check_it_can(running: ExchangeSession, nurse: User) -> None:
    put_right(running, nurse, START, minute(CHECKED))
    assert tally_of(running).units[1].started_at == minute(CHECKED)


@pytest.mark.parametrize(
    ("number", "moment"), [(START, ENDED + timedelta(minutes=1)), (END, STARTED - timedelta(minutes=1))]
)
@pytest.mark.parametrize("state", ["running", "finished"])
def test_no_unit_ends_before_it_was_started(
    running: ExchangeSession, nurse: User, number: int, moment: datetime, state: str
) -> None:
    ExchangeSession.objects.update(state=state)
    with pytest.raises(ValidationError, match=r"Unit 1 would end at .*, before its start at "):
        put_right(running, nurse, number, moment)
    assert Entry.objects.count() == 4


def test_a_time_is_not_taken_back_where_the_unit_would_then_end_before_its_start(
    running: ExchangeSession, nurse: User
) -> None:
    later = put_right(running, nurse, END, NOW)
    put_right(running, nurse, START, ENDED + timedelta(minutes=5))
    undo = {"exchange_session": running, "kind": "undo", "body": {"number": later.number}, "actor": nurse, "at": NOW}
    with pytest.raises(ValidationError, match=r"Unit 1 would end at .*, before its start at "):
        add_entry(**undo, key="u")
    assert tally_of(running).units[1].ended_at == NOW


def test_both_times_are_put_right_one_after_the_other(running: ExchangeSession, nurse: User) -> None:
    put_right(running, nurse, START, CHECKED + timedelta(minutes=5))
    put_right(running, nurse, END, CHECKED + timedelta(minutes=45))
    times = tally_of(running).units[1]
    assert (times.started_at, times.ended_at) == (CHECKED + timedelta(minutes=5), CHECKED + timedelta(minutes=45))


def test_of_a_session_given_up_before_any_volume_the_row_of_a_unit_follows_its_time(
    running: ExchangeSession, nurse: User
) -> None:
    """Its times say how long a bag was out of the cold, whether or not anything of it was entered."""
    ExchangeSession.objects.update(state="abandoned", ended_reason="access lost")
    put_right(running, nurse, START, CHECKED + timedelta(minutes=5))
    assert DonationUnit.objects.get().started_at == CHECKED + timedelta(minutes=5)
    assert TrailEntry.objects.filter(action="unit as given").count() == 1
    assert ExchangeSession.objects.get().red_cells_in_ml is None
