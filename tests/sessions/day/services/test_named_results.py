"""The results that a signed plan names are those before its session, whatever times are put right afterwards."""

from datetime import datetime, timedelta

import pytest

from patients.models import Analyte, LabResult
from patients.services import newer_result
from programme.core.models import TrailEntry, User
from sessions.day.services import finishing
from sessions.day.services.entering import add_entry
from sessions.models import ExchangeSession, ResultLink, SessionFacts
from sessions.services import pair_result, unpair_result
from tests.factories import NOW, make_entry, make_patient, make_prescription, make_result, make_running, make_user

pytestmark = pytest.mark.django_db

BEGAN, NAMED, EARLIER = (NOW - timedelta(minutes=minutes) for minutes in (120, 150, 400))


@pytest.fixture
def nurse() -> User:
    return make_user()


@pytest.fixture
def running(nurse: User) -> ExchangeSession:
    """Its plan names the Hb and HbS of half an hour before; others were taken hours earlier."""
    patient = make_patient(site=nurse.site)
    session = make_running(patient, by=nurse, units=0, started_at=BEGAN)
    session.result_links.all().delete()
    LabResult.objects.all().delete()
    for taken_at, hb, hbs in ((EARLIER, 78, 23.6), (NAMED, 88, 29.5)):
        make_result(patient, analyte=Analyte.HB, value=hb, taken_at=taken_at)
        make_result(patient, value=hbs, taken_at=taken_at)
    named = {one.analyte: one.pk for one in LabResult.objects.filter(taken_at=NAMED)}
    inputs = {"hb": {"result": named[Analyte.HB], "value": 88}, "hbs": {"result": named[Analyte.HBS], "value": 29.5}}
    session.prescriptions.update(inputs=inputs)
    for minutes in (30, 60):
        moment = BEGAN + timedelta(minutes=minutes)
        given = {"step": 1, "in_ml": 200, "out_ml": 200}
        make_entry(session, "moved", given, by=nurse, happened_at=moment, received_at=moment)
    return session


def put_right(session: ExchangeSession, nurse: User, moment: datetime) -> None:
    body = {"number": 3, "happened_at": moment.isoformat()}
    said = {"exchange_session": session, "key": f"t{moment:%H%M}", "kind": "time", "body": body, "actor": nurse}
    add_entry(**said, at=NOW, why="entered late")


def end(session: ExchangeSession, nurse: User, act: str = "finish") -> None:
    now = ExchangeSession.objects.get(pk=session.pk)
    getattr(finishing, act)(
        exchange_session=now, version=now.version, actor=nurse, at=NOW, key=act, reason="stopped early"
    )


def before(session: ExchangeSession) -> tuple[float | None, float | None]:
    facts = SessionFacts.objects.get(exchange_session=session)
    return facts.hb_before_g_l, facts.hbs_before_pct


@pytest.mark.parametrize("act", ["finish", "abandon"])
def test_a_volume_put_before_its_sample_leaves_the_results_of_the_plan(
    running: ExchangeSession, nurse: User, act: str
) -> None:
    put_right(running, nurse, NAMED - timedelta(minutes=25))
    end(running, nurse, act)
    assert ExchangeSession.objects.get(pk=running.pk).started_at < NAMED
    assert before(running) == (88, 29.5)


def test_nor_does_a_time_put_right_after_the_end_change_them(running: ExchangeSession, nurse: User) -> None:
    end(running, nurse)
    put_right(running, nurse, NAMED - timedelta(minutes=25))
    assert before(running) == (88, 29.5)


def test_a_result_that_was_corrected_meanwhile_counts_as_corrected(running: ExchangeSession, nurse: User) -> None:
    old = LabResult.objects.get(analyte=Analyte.HB, taken_at=NAMED)
    newer_result(old, status="corrected", value=86, why="mislabelled", at=NOW).save()
    put_right(running, nurse, NAMED - timedelta(minutes=25))
    end(running, nurse)
    assert before(running) == (86, 29.5)


def test_one_that_was_withdrawn_leaves_its_place_to_the_times(running: ExchangeSession, nurse: User) -> None:
    old = LabResult.objects.get(analyte=Analyte.HB, taken_at=NAMED)
    newer_result(old, status="withdrawn", value=88, why="of another person", at=NOW).save()
    end(running, nurse)
    assert before(running) == (78, 29.5)


def test_what_a_person_linked_otherwise_stays(running: ExchangeSession, nurse: User) -> None:
    end(running, nurse)
    named = LabResult.objects.get(analyte=Analyte.HB, taken_at=NAMED)
    unpair_result(result=named, actor=nurse, at=NOW)
    ResultLink.objects.filter(result__analyte=Analyte.HB).delete()
    other = LabResult.objects.get(analyte=Analyte.HB, taken_at=EARLIER)
    pair_result(result=other, exchange_session=running, position="before", actor=nurse, at=NOW)
    put_right(running, nurse, NAMED - timedelta(minutes=25))
    assert before(running) == (78, 29.5)


def test_the_trail_says_that_the_plan_named_them(running: ExchangeSession, nurse: User) -> None:
    end(running, nurse)
    said = TrailEntry.objects.filter(action="link result as before")
    assert {entry.why for entry in said} == {"named by plan 1"}
    assert said.count() == 2


def test_a_plan_on_a_forecast_leaves_hbs_to_its_time(running: ExchangeSession, nurse: User) -> None:
    plan = running.prescriptions.get()
    plan.inputs["hbs"]["result"] = None
    make_prescription(running, number=2, inputs=plan.inputs)  # never signed: it names nothing
    running.prescriptions.filter(number=1).update(inputs=plan.inputs)
    put_right(running, nurse, NAMED - timedelta(minutes=25))
    end(running, nurse)
    assert before(running) == (88, 23.6)
