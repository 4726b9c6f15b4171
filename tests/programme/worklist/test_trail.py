"""The page of the trail: by person, by user and by day, with the chain looked at, and the same as a file."""

import csv
import io
from datetime import UTC, datetime, timedelta

import pytest

from patients import clinic
from programme.core import guards, seals, trail
from programme.core.models import TrailEntry
from tests import factories
from tests.factories import NOW, TODAY
from tests.looks import A_LOOK

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
UNIT, ADA = "/trail/", "/people/R1/trail/"


@pytest.fixture
def ada(site, nurse, consultant):
    """Somebody whose note a nurse wrote and a consultant withdrew, an hour later."""
    patient = factories.make_patient("R1", site=site, family_name="Larkspur")
    note = clinic.add_note(patient=patient, on=TODAY, words="fewer crises", actor=nurse, at=NOW - timedelta(hours=2))
    clinic.withdraw_note(
        patient=patient, key=note.pk, reason="of another person", actor=consultant, at=NOW - timedelta(hours=1)
    )
    return patient


def text(answer):
    assert answer.status_code == 200
    return " ".join(answer.content.decode().split())


def rows(client, address, **asked):
    return list(csv.DictReader(io.StringIO(client.get(address, asked).content.decode())))


def test_who_did_what_and_why_newest_first(consultant_client, nurse, consultant, ada):
    page = text(consultant_client.get(ADA))
    assert "Larkspur" in page
    assert page.index("of another person") < page.index("fewer crises")
    assert nurse.full_name in page
    assert "2 people have seen or changed this record" in page
    assert "were checked just now and are <b>whole</b>" in page


def test_a_look_is_shown_as_a_look(consultant_client, nurse_client, nurse, ada):
    nurse_client.get("/people/R1/records/")
    found = rows(consultant_client, "/people/R1/trail.csv", what="seen", by=nurse.pk)
    assert [(row["who"], row["did"], row["what"], row["person"]) for row in found] == [
        (nurse.full_name, "saw", "records", "R1")
    ]


def test_looking_at_the_trail_is_in_it(consultant_client, consultant, site, ada):
    consultant_client.get(UNIT)
    consultant_client.get(ADA)
    seen = [row["what"] for row in rows(consultant_client, "/trail.csv", what="seen")]
    assert seen == ["trail, as a file", "trail of person", "trail"]


@pytest.mark.parametrize(("asked", "left"), [({"by": "nurse"}, 1), ({"by": "consultant"}, 1), ({"what": "changed"}, 2)])
def test_asked_by_user_and_by_kind(consultant_client, nurse, consultant, ada, asked, left):
    people = {"nurse": str(nurse.pk), "consultant": str(consultant.pk)}
    asked = {"what": "changed"} | {name: people.get(value, value) for name, value in asked.items()}
    assert len({row["entry"] for row in rows(consultant_client, "/people/R1/trail.csv", **asked)}) == left


def test_asked_by_day_counts_from_midnight_to_midnight_at_the_unit(consultant_client, site, nurse):
    """Half past eleven at night by UTC is the next day in British summer."""
    patient = factories.make_patient("R1", site=site)
    late = datetime(2026, 5, 20, 23, 30, tzinfo=UTC)
    clinic.add_note(patient=patient, on=late.date(), words="late", actor=nurse, at=late)
    for day, found in (("20 May 2026", 0), ("21 May 2026", 1)):
        shown = rows(consultant_client, "/people/R1/trail.csv", first=day, last=day, what="changed")
        assert len({row["entry"] for row in shown}) == found


def test_what_cannot_be_asked_is_said_and_the_usual_is_shown(consultant_client, ada):
    page = text(consultant_client.get(ADA, {"first": "2 May 2026", "last": "1 May 2026"}))
    assert "A span cannot end before it begins." in page
    assert "fewer crises" in page
    assert "Stop" in text(consultant_client.get(ADA, {"by": "99999"}))


def test_a_broken_chain_is_loud(consultant_client, ada):
    guards.drop()
    try:
        TrailEntry.objects.filter(patient_key=ada.pk, number=1).update(why="prettier")
    finally:
        guards.make()
    page = text(consultant_client.get(ADA))
    assert "The chain of this record is broken." in page
    assert f"patient:{ada.pk}, entry 1: was changed after it was written" in page
    assert "are <b>whole</b>" not in page


def test_the_last_seal_is_named(consultant_client, site, ada):
    assert "have not been sealed yet" in text(consultant_client.get(UNIT))
    sealed = seals.seal(site=site, at=NOW)
    assert sealed.hash[:16] in text(consultant_client.get(UNIT))


def test_older_entries_are_a_page_on(consultant_client, site, nurse, ada):
    said = [trail.Change(site.pk, ada.pk, f"change {n}", "goals") for n in range(230)]
    trail.write(said, actor=nurse, at=NOW)
    first = text(consultant_client.get(ADA, {"what": "changed"}))
    assert "32 earlier entries" in first
    assert "change 229" in first
    assert "fewer crises" not in first
    below = TrailEntry.objects.get(action="change 30").pk
    second = text(consultant_client.get(ADA, {"what": "changed", "below": below}))
    assert "change 29" in second
    assert "fewer crises" in second
    assert "earlier entries" not in second


def test_the_file_has_every_value_whole_and_no_formula(consultant_client, site, nurse, ada):
    long = "=1+1 " + "x" * 300
    trail.write([trail.Change(site.pk, ada.pk, "set", "goals", 1, after={"note": long})], actor=nurse, at=NOW)
    found = [row for row in rows(consultant_client, "/people/R1/trail.csv") if row["did"] == "set"]
    assert [(row["field"], row["was"], row["is"]) for row in found] == [("note", "", "'" + long)]
    assert found[0]["hash"] == TrailEntry.objects.get(action="set").hash


def test_only_a_consultant_reads_it(nurse_client, coordinator_client, ada):
    for client in (nurse_client, coordinator_client):
        for address in (UNIT, ADA, "/trail.csv", "/people/R1/trail.csv"):
            assert client.get(address).status_code == 403


def test_nothing_of_another_site(other_site, consultant_client, ada):
    elsewhere = factories.make_patient("THERE1", site=other_site)
    trail.write([trail.Change(other_site.pk, elsewhere.pk, "set", "goals")], actor=None, at=NOW)
    assert {row["person"] for row in rows(consultant_client, "/trail.csv", what="changed")} == {"R1"}
    assert consultant_client.get("/people/THERE1/trail/").status_code == 404


@pytest.mark.parametrize("entries", [1, 3])
@pytest.mark.parametrize(("address", "queries"), [(UNIT, 11), (ADA, 13)])
def test_queries_stay_the_same_with_more_entries(
    consultant_client, site, nurse, ada, entries, address, queries, django_assert_num_queries
):
    trail.write([trail.Change(site.pk, ada.pk, "set", "goals")] * entries, actor=nurse, at=NOW)
    with django_assert_num_queries(queries + A_LOOK):
        consultant_client.get(address)
