"""The printed plans: what the fixed contract promises of keys, bytes, refusals and reading only."""

import io
import json
import os
import random
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import connection

from patients.models import Analyte, Goals, Patient
from programme.planning.models import Suggestion
from programme.planning.numeric.people import WhatIf
from programme.planning.reckoning import SiteAsOf, printed_plans
from sessions.facts import rebuild_facts
from sessions.history.bring_in import bring_in
from sessions.models import ResultLink
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.either_database, pytest.mark.django_db]
ROOT = Path(__file__).resolve().parents[3]

NUMBERS = ("threshold_hbs_pct", "breach_risk", "drift_pct_per_day", "end_target_hbs_pct", "end_target_hb_g_l")
DATES = ("last_session", "next_date", "latest_safe_date")
KEYS = {
    "patient_ref", "status", "reason", "last_session", "threshold_hbs_pct", "breach_risk", "drift_pct_per_day",
    "interval_days", "next_date", "latest_safe_date", "end_target_hbs_pct", "end_target_hb_g_l", "session", "warnings",
}  # fmt: skip
SESSION_KEYS = {
    "units", "saline_ml", "red_cells_ml", "blood_out_ml", "steps", "predicted_hbs_pct", "predicted_hb_g_l",
}  # fmt: skip


def said(*arguments, command="suggest_plan", as_of=TODAY):
    """What the command writes to standard output."""
    out = io.StringIO()
    call_command(command, "--as-of", as_of.isoformat(), "--format", "json", *arguments, stdout=out)
    return out.getvalue()


def day(text):
    return date.fromisoformat(text)


def everything_stored():
    return {model.__name__: model._default_manager.count() for model in apps.get_models()}


def refuse_writes(execute, sql, params, many, context):
    assert sql.lstrip().upper().startswith(("SELECT", "SAVEPOINT", "RELEASE")), f"a reading command wrote: {sql}"
    return execute(sql, params, many, context)


def lines_of(records):
    head, *rows = records.decode().splitlines()
    return head, rows


# What is printed


def test_every_key_is_there_with_its_type_and_the_steps_sum_to_the_totals(programme):
    rows = json.loads(said())
    assert [row["patient_ref"] for row in rows] == sorted(Patient.objects.values_list("patient_ref", flat=True))
    assert sum(row["status"] == "ok" for row in rows) >= 12
    for row in (row for row in rows if row["status"] == "ok"):
        assert set(row) == KEYS
        assert row["reason"] is None
        assert all(isinstance(row[name], int | float) for name in NUMBERS)
        assert isinstance(row["interval_days"], int)
        assert (day(row["next_date"]) - day(row["last_session"])).days == row["interval_days"]
        assert all(day(row[name]) for name in DATES)
        assert day(row["next_date"]) >= TODAY
        assert day(row["next_date"]).weekday() < 5
        assert all(isinstance(words, str) and words.endswith(".") for words in row["warnings"])
        check_session(row["session"])


def check_session(session):
    assert set(session) == SESSION_KEYS
    for step in session["steps"]:
        assert set(step) == {"fluid", "in_ml", "out_ml"}
        assert step["fluid"] in {"saline", "red_cells"}
    for total, fluid in (("saline_ml", "saline"), ("red_cells_ml", "red_cells")):
        assert session[total] == sum(step["in_ml"] for step in session["steps"] if step["fluid"] == fluid)
    assert session["blood_out_ml"] == sum(step["out_ml"] for step in session["steps"])
    assert isinstance(session["units"], int)
    assert 0 < session["predicted_hbs_pct"] < 100
    assert 60 < session["predicted_hb_g_l"] <= 120


def test_who_cannot_be_planned_for_keeps_every_key_with_null_and_a_reason(programme):
    stranger = factories.make_patient("Z-1", site=programme)
    (row,) = json.loads(said("--patient", stranger.patient_ref))
    assert set(row) == KEYS
    assert (row["status"], row["reason"]) == ("unavailable", "No exchange session is on record.")
    said_of_everyone = {"patient_ref", "status", "reason", "threshold_hbs_pct", "breach_risk", "session", "warnings"}
    assert {name for name in KEYS if row[name] is not None} == said_of_everyone
    assert row["session"] == dict.fromkeys(SESSION_KEYS)
    assert row["warnings"] == []


def test_a_clinic_day_and_a_bank_holiday_are_kept(programme):
    for patient in Patient.objects.all():
        Goals.objects.filter(patient=patient).update(clinic_days="0")
    rows = [row for row in json.loads(said()) if row["status"] == "ok"]
    assert {day(row["next_date"]).weekday() for row in rows} == {0}
    # 31 August 2026 is the summer bank holiday of England (gov.uk/bank-holidays), a Monday.
    (late, *_) = json.loads(said(as_of=date(2026, 8, 29)))
    assert late["next_date"] == "2026-09-07"


# The same bytes


def test_the_same_bytes_twice_for_a_subset_and_whatever_the_order_of_the_rows(programme, other_site, records):
    head, rows = lines_of(records)
    random.Random(1).shuffle(rows)
    rows.sort(key=lambda row: row.split(",")[1] == "")  # figures of a person stand in each row here
    bring_in(site=other_site, data="\n".join([head, *rows]).encode(), actor=None, at=NOW)
    whole = said("--site", programme.code)
    assert said("--site", programme.code) == whole
    assert said("--site", other_site.code) == whole
    lines = whole.strip().removeprefix("[").removesuffix("]").split(",\n")
    picked = [
        ref
        for number, ref in enumerate(sorted(Patient.objects.of_site(programme).values_list("patient_ref", flat=True)))
        if number % 3 == 0
    ]
    asked = [part for ref in picked for part in ("--patient", ref)]
    assert said("--site", programme.code, *asked).strip() == "[" + ",\n".join(lines[::3]) + "]"


def test_a_day_in_the_past_knows_nothing_of_later_rows(programme, other_site, records):
    past = TODAY - timedelta(days=70)
    head, rows = lines_of(records)
    earlier = [row for row in rows if row.split(",")[6] <= past.isoformat()]
    assert 0 < len(earlier) < len(rows)
    bring_in(site=other_site, data="\n".join([head, *earlier]).encode(), actor=None, at=NOW)
    then = said("--site", programme.code, as_of=past)
    assert then == said("--site", other_site.code, as_of=past)
    assert json.loads(then) != []


def test_a_result_received_later_is_not_known_on_the_day(programme, other_site, records):
    link = (
        ResultLink.objects.filter(position="after", result__analyte=Analyte.HBS).order_by("exchange_session__on").last()
    )
    session = link.exchange_session
    head, rows = lines_of(records)
    key = (session.patient.patient_ref, session.on.isoformat())
    cells = [row.split(",") for row in rows]
    for row in cells:
        if (row[0], row[6]) == key:
            row[11] = ""
    bring_in(site=other_site, data="\n".join([head, *map(",".join, cells)]).encode(), actor=None, at=NOW)
    before = said("--site", programme.code)
    link.result.received_at = datetime(2026, 6, 2, 8, tzinfo=UTC)
    link.result.save()
    rebuild_facts([session.patient_id], NOW)
    assert said("--site", programme.code) == said("--site", other_site.code) != before


def test_what_is_stored_is_what_is_printed(programme):
    call_command("replan", "--as-of", TODAY.isoformat(), "--refit", stderr=io.StringIO())
    printed = json.loads(said())
    stored = Suggestion.objects.order_by("patient__patient_ref").values_list("body", flat=True)
    assert list(stored) == printed


def test_nothing_is_written(programme):
    before = everything_stored()
    with connection.execute_wrapper(refuse_writes):
        said()
        said("--days", "14,28", command="forecast_hbs")
    assert everything_stored() == before


# What if


def test_more_room_never_brings_anybody_in_earlier(programme):
    seen = SiteAsOf(programme, TODAY - timedelta(days=20))

    def dates(**asked):
        rows = printed_plans(seen.reckoned(what_if=WhatIf(**asked)))
        return [(row["latest_safe_date"], row["next_date"]) for row in rows if row["status"] == "ok"]

    for name, values in (("ceiling_pct", (25.0, 30.0, 35.0, 45.0)), ("accepted_chance", (0.02, 0.1, 0.3))):
        found = [dates(**{name: value}) for value in values]
        for tighter, wider in pairwise(found):
            assert len(tighter) == len(wider) >= 8
            assert all(a <= b for low, high in zip(tighter, wider, strict=True) for a, b in zip(low, high, strict=True))


def test_an_interval_that_is_asked_for_is_answered(programme):
    rows = {}
    for interval in (21, 35):
        rows[interval] = json.loads(said("--interval-days", str(interval), "--threshold", "40", "--breach-risk", "0.2"))
        asked = {(row["interval_days"], row["threshold_hbs_pct"], row["breach_risk"]) for row in rows[interval]}
        assert asked == {(interval, 40.0, 0.2)}
    both = zip(rows[21], rows[35], strict=True)
    assert all(short["end_target_hbs_pct"] >= long["end_target_hbs_pct"] for short, long in both)


# Refusals


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--patient", "nobody"), "nobody"),
        (("--threshold", "NaN"), "--threshold"),
        (("--threshold", "101"), "5 to 95"),
        (("--breach-risk", "0"), "--breach-risk"),
        (("--breach-risk", "inf"), "--breach-risk"),
        (("--interval-days", "28.5"), "whole number"),
        (("--interval-days", "200"), "7 to 84"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_the_reason(site, arguments, words):
    with pytest.raises(CommandError, match=words) as refused:
        said(*arguments)
    assert refused.value.returncode == 1


def test_several_sites_must_be_told_apart(site, other_site):
    with pytest.raises(CommandError, match=r"--site.*heronsford, saltmarsh"):
        said()
    with pytest.raises(CommandError, match="heronsford, saltmarsh"):
        said("--site", "elsewhere")
    assert json.loads(said("--site", "saltmarsh")) == []


# As a script runs it


@pytest.fixture(scope="session")
def embedded(records, tmp_path_factory):
    """A database file made by the commands alone, in processes of their own; run a command on it with `run`."""
    folder = tmp_path_factory.mktemp("embedded")
    (folder / "history.csv").write_bytes(records)
    environment = {**os.environ, "DATABASE_URL": f"sqlite:///{folder}/unit.sqlite3"}

    def run(*arguments):
        command = [sys.executable, "manage.py", *arguments]
        return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300)

    assert run("migrate", "--verbosity", "0").returncode == 0
    assert run("load_history", str(folder / "history.csv")).returncode == 0
    return run


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (("suggest_plan", "--as-of", "2026-06-01", "--format", "json"), 0),
        (("suggest_plan", "--as-of", "2026-06-01", "--threshold", "NaN"), 1),
        (("forecast_hbs", "--as-of", "2026-06-01", "--days", "14;28"), 1),
        (("suggest_plan", "--as-of", "yesterday"), 2),
        (("suggest_plan", "--format", "xml"), 2),
        (("forecast_hbs", "--as-of", "2026-06-01"), 2),
    ],
)
def test_exit_status_and_streams(embedded, arguments, status):
    done = embedded(*arguments)
    assert done.returncode == status, done.stderr
    if status == 0:
        assert len(json.loads(done.stdout)) == 16
    else:
        assert done.stdout == ""
        assert done.stderr.strip() != ""


@pytest.mark.postgres
def test_postgres_prints_the_same_bytes_as_the_embedded_database(programme, embedded):
    for command, more in (("suggest_plan", ()), ("forecast_hbs", ("--days", "14,28,42"))):
        script = embedded(command, "--as-of", TODAY.isoformat(), "--format", "json", *more)
        assert script.returncode == 0, script.stderr
        assert said(*more, command=command) == script.stdout
