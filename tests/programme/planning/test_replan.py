"""The replan: who is renewed, and that every chunk is done exactly once whoever stops, dies or works beside."""

import io
import json
import os
import re
import signal
import time
from datetime import timedelta

import pytest
from django.core.management import call_command
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from patients.models import LabResult, Patient
from patients.services import raise_data_version
from programme.core import changes
from programme.planning import replan as replanning
from programme.planning import services
from programme.planning.models import ReplanChunk, ReplanRun, Suggestion
from programme.planning.tasks import replan_share
from sessions import forecasting
from sessions.facts import rebuild_facts
from sessions.models import ExchangeSession, ModelFit, StoredForecast
from tests import factories
from tests.at_once import at_once
from tests.conftest import worker_process
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit(site, frozen_day):
    """Seven people with a short course each: enough to plan for, quick to fit."""
    add_people(site, 7)
    return site


def add_people(site, count, today=TODAY):
    keys = []
    for number in range(count):
        patient = factories.make_patient(f"R{number:03d}", site=site)
        last_on = today - timedelta(days=10 + number % 7)
        factories.make_course(patient, last_on=last_on, pace_pct_per_day=0.5 + 0.03 * (number % 7))
        keys.append(patient.pk)
    rebuild_facts(keys, NOW)


def replan(site, *, day=TODAY, at=NOW, **asked):
    return replanning.replan(site=site, as_of=day, clock=lambda: at, **asked)


def stored(without=("id", "made_at")):
    """All stored forecasts and suggestions as plain rows."""
    rows = []
    for model in (StoredForecast, Suggestion):
        for row in model.objects.order_by("patient__patient_ref").values():
            rows.append({name: value for name, value in row.items() if name not in without})
    return rows


# Who is renewed


def test_the_first_run_renews_everyone_and_the_second_nobody(unit):
    done = replan(unit)
    assert (done.renewed, done.people, done.resumed, done.held_by_others) == (7, 7, False, 0)
    before = stored(without=())
    assert len(before) == 14
    again = replan(unit, at=NOW + timedelta(hours=1))
    assert (again.renewed, again.model_fit) == (0, done.model_fit)
    assert stored(without=()) == before
    assert not ReplanRun.objects.filter(finished_at=None).exists()


def test_who_gave_a_session_up_comes_back_while_it_is_safe_and_not_after_the_shortest_interval(unit):
    patient = Patient.objects.get(patient_ref="R006")
    last = patient.exchange_sessions.latest("on")
    after = LabResult.objects.get(link__exchange_session=last, link__position="after", analyte="4625-0")
    LabResult.objects.filter(pk=after.pk).update(value=25.0)
    ExchangeSession.objects.filter(pk=last.pk).update(on=TODAY - timedelta(days=1))
    rebuild_facts([patient.pk], NOW)
    replan(unit)
    closed = Suggestion.objects.get(patient=patient)
    ExchangeSession.objects.filter(pk=last.pk).update(state="abandoned", ended_reason="both lines lost")
    replan(unit, everyone=True)
    given_up = Suggestion.objects.get(patient=patient)
    assert closed.latest_safe_date < closed.next_date
    assert given_up.latest_safe_date == closed.latest_safe_date
    assert TODAY <= given_up.next_date <= given_up.latest_safe_date
    assert given_up.options["earliest_date"] == TODAY.isoformat()


def test_a_forecast_names_the_results_it_rests_on(unit):
    replan(unit)
    for forecast in StoredForecast.objects.select_related("patient"):
        before_and_after = LabResult.objects.filter(patient=forecast.patient, link__isnull=False)
        assert forecast.results_used == sorted(before_and_after.values_list("pk", flat=True))
        assert len(forecast.results_used) > 10


def test_a_change_renews_that_person_only(unit):
    replan(unit)
    patient = Patient.objects.get(patient_ref="R003")
    raise_data_version([patient.pk])
    later = NOW + timedelta(hours=1)
    assert replan(unit, at=later).renewed == 1
    assert list(Suggestion.objects.filter(made_at=later).values_list("patient", flat=True)) == [patient.pk]
    assert Suggestion.objects.get(patient=patient).data_version == patient.data_version + 1


def test_a_new_fit_renews_everyone(unit):
    first = replan(unit)
    second = replan(unit, refit=True)
    assert second.renewed == 7
    assert second.model_fit != first.model_fit
    assert set(Suggestion.objects.values_list("model_fit", flat=True)) == {second.model_fit}


@pytest.mark.parametrize("where", [(services, "PLAN_VERSION"), (services, "MODEL_VERSION")])
def test_another_version_of_the_code_makes_everyone_stale(unit, monkeypatch, where):
    fit = ModelFit.objects.get(pk=replan(unit).model_fit)
    assert services.stale_keys(site=unit, as_of=TODAY, fit=fit) == []
    monkeypatch.setattr(*where, "another")
    assert len(services.stale_keys(site=unit, as_of=TODAY, fit=fit)) == 7


def test_who_did_not_come_is_renewed_the_day_after(unit):
    fit = ModelFit.objects.get(pk=replan(unit).model_fit)
    one = Suggestion.objects.exclude(next_date=None).order_by("pk")[0]
    Suggestion.objects.exclude(pk=one.pk).update(next_date=TODAY + timedelta(days=30))
    Suggestion.objects.filter(pk=one.pk).update(next_date=TODAY)
    assert services.stale_keys(site=unit, as_of=TODAY, fit=fit) == []
    assert services.stale_keys(site=unit, as_of=TODAY + timedelta(days=1), fit=fit) == [one.patient_id]


def test_everyone_can_be_asked_for(unit):
    replan(unit)
    assert replan(unit, everyone=True).renewed == 7


def test_a_fit_that_fails_its_checks_leaves_the_older_one_in_force(unit, monkeypatch):
    first = replan(unit)
    monkeypatch.setattr(forecasting, "checks_failed", lambda fit: ["the mean pace is 9.00 points a day"])
    second = replan(unit, refit=True)
    assert (second.model_fit, second.renewed) == (first.model_fit, 0)
    failed = ModelFit.objects.order_by("-pk")[0]
    assert failed.pk != first.model_fit
    assert (failed.in_force_since, failed.checks) == (None, ["the mean pace is 9.00 points a day"])


# Chunks


def test_the_same_rows_alone_in_chunks_and_all_at_once(programme, monkeypatch):
    """Irregular people, so that a figure of one that leaned on whoever is read beside them would show."""
    found = []
    for size in (500, 5, 1):
        monkeypatch.setattr(replanning, "CHUNK_PEOPLE", size)
        assert replan(programme, everyone=True).renewed == 16
        assert ReplanRun.objects.order_by("-pk")[0].chunks.count() == {500: 1, 5: 4, 1: 16}[size]
        found.append(json.dumps(stored(), default=str))
    services.renew(Patient.objects.order_by("-pk").values_list("pk", flat=True), NOW)
    found.append(json.dumps(stored(), default=str))
    assert found[0] == found[1] == found[2] == found[3]
    assert len({row["interval_days"] for row in stored() if "interval_days" in row}) > 3


@pytest.fixture
def small_chunks(monkeypatch):
    monkeypatch.setattr(replanning, "CHUNK_PEOPLE", 2)


def test_a_chunk_reads_the_sessions_of_its_own_people_and_of_nobody_else(unit, small_chunks):
    replan(unit)
    with CaptureQueriesContext(connection) as asked:
        assert replan(unit, everyone=True).renewed == 7
    run = ReplanRun.objects.order_by("-pk")[0]
    read = '"packed"'
    facts = [query["sql"] for query in asked.captured_queries if read in query["sql"]]
    assert len(facts) == run.chunks.count() == 4
    for sql, chunk in zip(facts, run.chunks.order_by("number"), strict=True):
        (keys,) = re.findall(r'"patient_id" IN \(([^)]*)\)', sql)
        assert sorted(int(key) for key in keys.split(",")) == chunk.patient_keys


def stop_after(count, monkeypatch):
    """Let the replan fail while it stores its chunk number `count` + 1."""
    real, done = services.store, []

    def store(rows):
        if len(done) == count:
            raise RuntimeError("the power went")
        done.append(rows)
        return real(rows)

    monkeypatch.setattr(services, "store", store)


def test_a_run_that_stopped_is_taken_up_and_finished(unit, small_chunks, monkeypatch):
    with monkeypatch.context() as broken:
        stop_after(1, broken)
        with pytest.raises(RuntimeError):
            replan(unit)
    run = ReplanRun.objects.get()
    assert run.finished_at is None
    assert Suggestion.objects.count() == 2
    soon = replan(unit, at=NOW + timedelta(minutes=1))
    assert (soon.renewed, soon.resumed, soon.held_by_others) == (3, True, 1)  # the lease of the broken chunk stands
    late = replan(unit, at=NOW + timedelta(minutes=11))
    assert (late.renewed, late.resumed, late.held_by_others) == (2, True, 0)
    run.refresh_from_db()
    assert run.finished_at == NOW + timedelta(minutes=11)
    assert ReplanRun.objects.count() == 1
    assert sorted(run.chunks.values_list("attempt", flat=True)) == [1, 1, 1, 2]


def test_who_lost_the_lease_writes_nothing(unit, small_chunks):
    run, _ = replanning.open_run(site=unit, as_of=TODAY, at=NOW, everyone=False, refit=False)
    slow = replanning.take_chunk(run, at=NOW)
    quick = replanning.take_chunk(run, at=NOW + replanning.LEASE + timedelta(seconds=1))
    while quick.pk != slow.pk:
        quick = replanning.take_chunk(run, at=NOW + replanning.LEASE + timedelta(seconds=1))
    assert replanning.do_chunk(slow, run, clock=lambda: NOW) == 0
    assert not Suggestion.objects.exists()
    assert replanning.do_chunk(quick, run, clock=lambda: NOW) == 2
    assert Suggestion.objects.count() == 2


def test_a_change_during_the_run_leaves_that_person_stale_and_never_wrongly_fresh(unit, small_chunks, monkeypatch):
    run, _ = replanning.open_run(site=unit, as_of=TODAY, at=NOW, everyone=False, refit=False)
    chunk = replanning.take_chunk(run, at=NOW)
    changed, unchanged = chunk.patient_keys
    real = services.reckon

    def reckon(*keys, **given):
        rows = real(*keys, **given)
        raise_data_version([changed])  # after it was read and before it is stored
        return rows

    monkeypatch.setattr(services, "reckon", reckon)
    assert replanning.do_chunk(chunk, run, clock=lambda: NOW) == 1
    assert not Suggestion.objects.filter(patient=changed).exists()
    assert Suggestion.objects.get(patient=unchanged).data_version == 1
    assert changed in services.stale_keys(site=unit, as_of=TODAY, fit=run.model_fit)


def test_who_has_left_meanwhile_is_passed_over(unit, small_chunks):
    run, _ = replanning.open_run(site=unit, as_of=TODAY, at=NOW, everyone=False, refit=False)
    chunk = replanning.take_chunk(run, at=NOW)
    Patient.objects.filter(pk__in=chunk.patient_keys).update(standing="ended")
    assert replanning.do_chunk(chunk, run, clock=lambda: NOW) == 0
    chunk.refresh_from_db()
    assert chunk.state == ReplanChunk.Stage.DONE


@pytest.mark.django_db(transaction=True)
def test_takers_at_the_same_moment_never_get_the_same_chunk(site):
    run = ReplanRun.objects.create(site=site, as_of=TODAY, started_at=NOW, model_fit=factories.make_fit(site))
    ReplanChunk.objects.bulk_create(ReplanChunk(run=run, number=n, patient_keys=[]) for n in range(40))
    taken = []

    def take():
        while (chunk := replanning.take_chunk(run, at=NOW)) is not None:
            taken.append(chunk.number)

    at_once(take, [[]] * 4)
    assert sorted(taken) == list(range(40))
    assert set(run.chunks.values_list("attempt", flat=True)) == {1}


# At once after a change


@pytest.mark.django_db(transaction=True)
def test_a_change_is_answered_once_on_commit_and_not_on_rollback(unit, monkeypatch):
    replan(unit)
    answered, real = [], services.store
    monkeypatch.setattr(services, "store", lambda rows: answered.append(len(rows)) or real(rows))
    patient = Patient.objects.get(patient_ref="R002")
    later = NOW + timedelta(minutes=5)
    with transaction.atomic():
        raise_data_version([patient.pk])
        changes.announce(patient.pk, at=later)
        changes.announce(patient.pk, at=later)
        assert answered == []
    assert answered == [1]
    with pytest.raises(RuntimeError, match="refused"), transaction.atomic():
        changes.announce(Patient.objects.get(patient_ref="R004").pk, at=later)
        raise RuntimeError("the form was refused")
    assert answered == [1]
    renewed = Suggestion.objects.get(made_at=later)
    assert (renewed.patient_id, renewed.data_version) == (patient.pk, patient.data_version + 1)


def test_the_command_says_what_it_did(unit):
    said = io.StringIO()
    call_command("replan", "--as-of", TODAY.isoformat(), stderr=said, stdout=io.StringIO())
    assert "7 of 7 people renewed as of 2026-06-01" in said.getvalue()


# Over a broker, with a worker that is killed


def wait_until(holds, seconds=120):
    give_up = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < give_up, "nothing came of it in time"
        time.sleep(0.05)


@pytest.fixture
def forty_chunks(transactional_db, site, monkeypatch):
    """A run that is open, with a chunk for each of its 40 people."""
    today = timezone.now().date()
    add_people(site, 40, today=today)
    monkeypatch.setattr(replanning, "CHUNK_PEOPLE", 1)
    run, _ = replanning.open_run(site=site, as_of=today, at=timezone.now(), everyone=False, refit=False)
    assert run.chunks.count() == 40
    return run


@pytest.mark.redis
def test_a_worker_asked_to_end_does_its_task_and_leaves_nothing_to_wait_for(forty_chunks, tmp_path):
    run = forty_chunks
    with worker_process(tmp_path / "worker.log", redis_url=os.environ["REDIS_URL"], at_once=1) as worker:
        replan_share.delay(run.pk)
        wait_until(lambda: run.chunks.filter(state=ReplanChunk.Stage.DONE).exists())
        worker.send_signal(signal.SIGTERM)
        assert run.chunks.exclude(state=ReplanChunk.Stage.DONE).exists(), "it was asked to end in the middle"
        assert worker.wait(timeout=120) == 0
    run.refresh_from_db()
    assert run.finished_at is not None
    assert set(run.chunks.values_list("state", flat=True)) == {ReplanChunk.Stage.DONE}
    assert Suggestion.objects.count() == StoredForecast.objects.count() == 40


@pytest.mark.redis
def test_a_worker_killed_midway_leaves_work_that_a_later_start_finishes(forty_chunks, tmp_path):
    run = forty_chunks
    with worker_process(tmp_path / "worker.log", redis_url=os.environ["REDIS_URL"], at_once=1) as worker:
        replan_share.delay(run.pk)
        wait_until(lambda: run.chunks.filter(state=ReplanChunk.Stage.DONE).exists())
        os.killpg(worker.pid, signal.SIGKILL)
        worker.wait(timeout=30)
    run.refresh_from_db()
    assert run.finished_at is None
    begun = Suggestion.objects.count()
    assert 0 < begun < 40
    late = timezone.now() + replanning.LEASE + timedelta(minutes=1)
    done = replanning.replan(site=run.site, as_of=run.as_of, clock=lambda: late)
    assert (done.resumed, done.renewed, done.held_by_others) == (True, 40 - begun, 0)
    run.refresh_from_db()
    assert run.finished_at == late
    assert Suggestion.objects.count() == StoredForecast.objects.count() == 40
    keys = [key for chunk in run.chunks.all() for key in chunk.patient_keys]
    assert sorted(keys) == sorted(Suggestion.objects.values_list("patient", flat=True))
