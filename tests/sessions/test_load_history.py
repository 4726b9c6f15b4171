"""The command that brings past records in: all or nothing, the same twice, and what is then stored."""

import csv
import io
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from patients.models import BodyMeasure, Goals, LabResult, Patient
from programme.core import trail
from programme.core.models import Site, TrailEntry
from sessions.models import ExchangeSession, ResultLink, SessionFacts
from tests import factories

EXAMPLE = Path(__file__).parents[2] / "fixtures" / "history_example.csv"
TABLES = (Site, Patient, BodyMeasure, Goals, LabResult, ExchangeSession, ResultLink, SessionFacts, TrailEntry)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


def stored() -> dict[str, list[dict[str, Any]]]:
    """Every row of every table that a load may write to."""
    return {model.__name__: list(model.objects.order_by("pk").values()) for model in TABLES}


def load(path: Path, **options: Any) -> tuple[int, str]:
    """Run the command; return its exit status and what it said."""
    said = io.StringIO()
    try:
        call_command("load_history", str(path), stderr=said, **options)
    except SystemExit as end:
        return int(end.code or 0), said.getvalue()
    return 0, said.getvalue()


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.fixture
def write(tmp_path: Path) -> Callable[[list[dict[str, str]]], Path]:
    def write_rows(rows: list[dict[str, str]]) -> Path:
        path = tmp_path / "sessions.csv"
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        return path

    return write_rows


def test_the_example_is_stored_once_and_whole() -> None:
    site = factories.make_site()
    status, said = load(EXAMPLE)
    assert status == 0
    assert "Brought in 13 sessions with 51 results; 3 new people, 4 dated goals." in said
    woman = Patient.objects.get(patient_ref="EX-01")
    assert (woman.site, woman.sex, woman.birth_date, woman.untransfused_pct) == (site, "F", date(1991, 4, 12), None)
    session = ExchangeSession.objects.get(patient=woman, on=date(2026, 1, 6))
    assert (session.state, session.origin, session.units, session.blood_out_ml) == ("closed", "imported", 5, 1740)
    values = LabResult.objects.filter(link__exchange_session=session).order_by("link__position", "analyte")
    assert list(values.values_list("link__position", "analyte", "value", "taken_on", "time_known")) == [
        ("after", "4625-0", 17.2, date(2026, 1, 6), True),
        ("after", "718-7", 101.0, date(2026, 1, 6), True),
        ("before", "4625-0", 38.4, date(2026, 1, 5), True),
        ("before", "718-7", 88.0, date(2026, 1, 5), True),
    ]


def test_without_a_time_the_after_sample_still_comes_after() -> None:
    factories.make_site()
    load(EXAMPLE)
    links = ResultLink.objects.filter(exchange_session__on=date(2026, 2, 3)).select_related("result")
    times = {link.position: link.result.taken_at for link in links}
    assert times["before"] < times["after"]
    assert not any(link.result.time_known for link in links)


def test_weights_heights_and_ceilings_are_dated() -> None:
    factories.make_site()
    load(EXAMPLE)
    child = BodyMeasure.objects.filter(patient__patient_ref="EX-03").order_by("on")
    assert list(child.values_list("on", "weight_kg", "height_cm")) == [
        (date(2026, 2, 10), 32.4, 139.0), (date(2026, 3, 10), 32.8, None),
        (date(2026, 4, 14), 33.1, 140.0), (date(2026, 5, 12), 33.0, None),
    ]  # fmt: skip
    man = Goals.objects.filter(patient__patient_ref="EX-02").order_by("since")
    assert list(man.values_list("since", "hbs_ceiling_pct", "reason")) == [
        (date(2026, 1, 13), 40.0, "as in the records brought in"),
        (date(2026, 5, 19), 30.0, "as in the records brought in"),
    ]


def test_facts_come_with_the_sessions() -> None:
    factories.make_site()
    load(EXAMPLE)
    assert SessionFacts.objects.count() == 13
    facts = SessionFacts.objects.get(patient__patient_ref="EX-01", day=date(2026, 4, 7).toordinal())
    assert (facts.hbs_before_pct, facts.hbs_after_pct, facts.missing) == (33.0, None, "HbS after")
    assert facts.hbs_ratio is not None and 0.3 < facts.hbs_ratio < 0.6
    unknown = SessionFacts.objects.get(patient__patient_ref="EX-03", day=date(2026, 4, 14).toordinal())
    assert not unknown.gap_known


def test_each_person_has_one_entry_in_the_trail_that_names_the_file() -> None:
    factories.make_site()
    load(EXAMPLE)
    entries = TrailEntry.objects.order_by("pk")
    assert len(entries) == 3
    assert len({entry.after["file_sha256"] for entry in entries}) == 1
    assert sum(len(entry.after["sessions"]) for entry in entries) == 13
    assert trail.faults(TrailEntry.objects.all()) == []


def test_the_same_file_twice_changes_nothing(write: Callable[[list[dict[str, str]]], Path]) -> None:
    factories.make_site()
    load(EXAMPLE)
    before = stored()
    assert load(EXAMPLE) == (0, before_said(13))
    assert stored() == before
    turned = [dict(reversed(row.items())) for row in reversed(rows_of(EXAMPLE))]
    assert load(write(turned)) == (0, before_said(13))
    assert stored() == before


def before_said(n: int) -> str:
    return f"Brought in 0 sessions with 0 results; 0 new people, 0 dated goals. {n} sessions were stored already.\n"


def test_new_rows_of_known_people_are_added_and_their_version_raised(write: Callable[..., Path]) -> None:
    factories.make_site()
    rows = rows_of(EXAMPLE)
    load(write([row for row in rows if row["session_date"] < "2026-05-01"]))
    version = Patient.objects.get(patient_ref="EX-01").data_version
    status, said = load(EXAMPLE)
    assert status == 0
    assert "Brought in 3 sessions" in said and "0 new people" in said and "10 sessions were stored already" in said
    assert Patient.objects.get(patient_ref="EX-01").data_version == version + 1
    assert SessionFacts.objects.count() == 13


def test_a_stored_session_with_other_values_is_refused_and_both_are_shown(write: Callable[..., Path]) -> None:
    factories.make_site()
    load(EXAMPLE)
    before = stored()
    rows = rows_of(EXAMPLE)
    rows[0]["units"] = "6"
    new = {**rows[4], "session_date": "2026-05-26"}
    status, said = load(write([*rows, new]))
    assert status == 1
    assert "row 2, patient_ref, session_date: 'EX-01, 2026-01-06'" in said
    assert "units 5, here 6" in said
    assert stored() == before


def test_a_changed_threshold_starts_a_new_dated_goal(write: Callable[..., Path]) -> None:
    factories.make_site()
    load(EXAMPLE)
    rows = rows_of(EXAMPLE)
    rows[3]["threshold_hbs_pct"] = "25"
    version = Patient.objects.get(patient_ref="EX-01").data_version
    status, said = load(write(rows))
    assert status == 0
    assert "Brought in 0 sessions" in said and "1 dated goal." in said
    goals = Goals.objects.filter(patient__patient_ref="EX-01").order_by("since", "pk")
    assert list(goals.values_list("since", "hbs_ceiling_pct")) == [(date(2026, 1, 6), 30.0), (date(2026, 4, 7), 25.0)]
    assert Patient.objects.get(patient_ref="EX-01").data_version == version + 1
    again = stored()
    load(write(rows))
    assert stored() == again


def test_a_ceiling_of_fifty_gets_the_reason_that_it_needs(write: Callable[..., Path]) -> None:
    factories.make_site()
    rows = [{**rows_of(EXAMPLE)[0], "threshold_hbs_pct": "50"}]
    assert load(write(rows))[0] == 0
    assert Goals.objects.get().reason == "as in the records brought in"


@pytest.mark.parametrize(("column", "value"), [
    ("weight_kg", "nan"), ("session_date", "2026-06-02"), ("hb_pre_g_l", "9.2"), ("sex", "X"),
    ("threshold_hbs_pct", "70"),
])  # fmt: skip
def test_one_fault_and_nothing_is_written(column: str, value: str, write: Callable[..., Path]) -> None:
    rows = rows_of(EXAMPLE)
    rows[0][column] = value
    before = stored()
    status, said = load(write(rows))
    assert status == 1
    assert f"row 2, {column}: {value!r}; allowed: " in said
    assert "Refused: 1 fault; nothing was written." in said
    assert "site" not in said
    assert stored() == before  # not even the first site


def test_a_dry_run_writes_nothing() -> None:
    before = stored()
    status, said = load(EXAMPLE, dry_run=True)
    assert status == 0
    assert "the site 'unit' (Day unit) would be made" in said
    assert "Would bring in 13 sessions" in said
    assert stored() == before


def test_questions_are_told_and_do_not_stop_the_load(write: Callable[..., Path]) -> None:
    rows = rows_of(EXAMPLE)[:1]
    rows[0] |= {"hbs_pre_pct": "17.2", "hbs_post_pct": "38.4", "remarks": "x"}
    status, said = load(write(rows))
    assert status == 0
    assert "Question: row 2, EX-01: HbS rose from 17.2 to 38.4 over an exchange." in said
    assert "Question: Column 'remarks' is not known here." in said
    assert "Brought in 1 session with 4 results; 1 new person, 1 dated goal. 0 sessions were stored" in said
    assert ExchangeSession.objects.count() == 1


def test_the_first_site_is_made_where_there_is_none() -> None:
    status, said = load(EXAMPLE)
    assert status == 0
    assert "the site 'unit' (Day unit) was made" in said
    assert Patient.objects.filter(site=Site.objects.get()).count() == 3


def test_several_sites_need_a_name() -> None:
    factories.make_site("saltmarsh")
    factories.make_site("heronsford")
    for options in ({}, {"site": "nowhere"}):
        with pytest.raises(CommandError, match="saltmarsh") as wrong:
            load(EXAMPLE, **options)
        assert wrong.value.returncode == 2
    assert load(EXAMPLE, site="heronsford")[0] == 0
    assert set(Patient.objects.values_list("site__code", flat=True)) == {"heronsford"}


def test_one_reference_at_two_sites_is_two_people() -> None:
    factories.make_site("saltmarsh")
    factories.make_site("heronsford")
    for code in ("saltmarsh", "heronsford"):
        assert load(EXAMPLE, site=code)[0] == 0
    assert Patient.objects.filter(patient_ref="EX-01").count() == 2


def test_a_file_that_is_not_there_is_wrong_use(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="cannot be read") as wrong:
        load(tmp_path / "none.csv")
    assert wrong.value.returncode == 2


def test_what_nobody_recorded_of_a_known_person_is_filled_in(write: Callable[..., Path]) -> None:
    site = factories.make_site()
    known = factories.make_patient("EX-01", site=site, birth_date=None, with_goals=False)
    assert load(write(rows_of(EXAMPLE)[:1]))[0] == 0
    known.refresh_from_db()
    assert known.birth_date == date(1991, 4, 12)
    assert known.family_name == "Testwood"


def test_a_result_that_came_later_does_not_contradict_the_file(write: Callable[..., Path]) -> None:
    site = factories.make_site()
    load(EXAMPLE)
    session = ExchangeSession.objects.get(patient__patient_ref="EX-01", on=date(2026, 4, 7))
    late = factories.make_result(session.patient, value=14.4, on=date(2026, 4, 7))
    ResultLink.objects.create(exchange_session=session, result=late, position="after")
    status, said = load(EXAMPLE, site=site.code)
    assert (status, said) == (0, before_said(13))


@pytest.mark.postgres
def test_on_postgresql_too() -> None:
    assert connection.vendor == "postgresql"
    assert load(EXAMPLE)[0] == 0
    before = stored()
    assert load(EXAMPLE) == (0, before_said(13))
    assert stored() == before
