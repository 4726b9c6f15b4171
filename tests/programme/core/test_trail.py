"""The trail can only grow, and whatever was done to it behind its back is found."""

from zoneinfo import ZoneInfo

import pytest
from django.db import DatabaseError, connection, transaction

from programme.core import guards, trail
from programme.core.models import TrailEntry
from tests import factories

pytestmark = pytest.mark.django_db


def write_three(site, *, chain_of=7):
    """Three entries about one patient, each with figures that a database may be tempted to round."""
    for number in (1, 2, 3):
        change = trail.Change(
            site_key=site.pk,
            patient_key=chain_of,
            action=f"change {number}",
            row_kind="goals",
            row_key=number,
            why="a reason — with a dash",
            before={"hbs_ceiling_pct": 30.0, "chance": 0.1 + 0.2, "odd": [-0.0, 1e-7, 1e22, -3e300]},
            after={"hbs_ceiling_pct": 25.5, "days": [1, 2], "nothing": None},
        )
        trail.write([change], actor=None, at=factories.NOW)
    return TrailEntry.objects.filter(chain=f"patient:{chain_of}").order_by("number")


@pytest.fixture
def without_triggers(db):
    """What somebody with the keys of the database could do."""
    guards.drop()
    yield
    guards.make()


def test_an_untouched_chain_has_no_fault(site):
    write_three(site)
    write_three(site, chain_of=8)
    assert trail.faults(TrailEntry.objects.all()) == []


def test_entries_of_one_call_are_numbered_in_their_chains(site, nurse):
    changes = [trail.Change(site.pk, key, "seen", "patient") for key in (7, 8, 7, None)]
    trail.write(changes, actor=nurse, at=factories.NOW)
    rows = TrailEntry.objects.order_by("pk").values_list("chain", "number", "actor_id")
    assert list(rows) == [
        ("patient:7", 1, nurse.pk),
        ("patient:8", 1, nurse.pk),
        ("patient:7", 2, nurse.pk),
        (f"site:{site.pk}", 1, nurse.pk),
    ]


def test_a_time_said_in_another_zone_is_the_same_time(site):
    """The database gives every time back in UTC."""
    in_summer = factories.NOW.astimezone(ZoneInfo("Europe/London"))
    trail.write([trail.Change(site.pk, 7, "seen", "patient")], actor=None, at=in_summer)
    assert in_summer.isoformat() != factories.NOW.isoformat()
    assert trail.faults(TrailEntry.objects.all()) == []


@pytest.mark.parametrize("change", [{"why": "another"}, {"after": {}}, {"actor_id": None}])
def test_the_database_refuses_an_update(site, change):
    entries = write_three(site)
    with pytest.raises(DatabaseError, match="the trail can only grow"), transaction.atomic():
        entries.filter(number=2).update(**change)
    assert trail.faults(TrailEntry.objects.all()) == []


def test_the_database_refuses_a_delete(site):
    entries = write_three(site)
    with pytest.raises(DatabaseError, match="the trail can only grow"), transaction.atomic():
        entries.filter(number=3).delete()
    assert entries.count() == 3


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_the_database_refuses_to_truncate(site):
    with transaction.atomic():
        write_three(site)
    with (
        pytest.raises(DatabaseError, match="the trail can only grow"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("TRUNCATE core_trailentry CASCADE")
    assert TrailEntry.objects.count() == 3


@pytest.mark.parametrize(
    "change",
    [
        {"why": "another reason"},
        {"action": "nothing happened"},
        {"after": {"hbs_ceiling_pct": 50.0}},
        {"row_key": 99},
        {"at": factories.NOW.replace(hour=10)},
        {"patient_key": 8},
    ],
)
def test_a_changed_entry_is_found(site, without_triggers, change):
    write_three(site).filter(number=2).update(**change)
    assert trail.faults(TrailEntry.objects.all()) == ["patient:7, entry 2: was changed after it was written"]


def test_a_changed_entry_with_its_hash_made_anew_is_found_by_the_next(site, without_triggers):
    second = write_three(site).get(number=2)
    second.why = "another reason"
    second.hash = trail.entry_hash(second)
    second.save()
    assert trail.faults(TrailEntry.objects.all()) == ["patient:7, entry 3: does not follow the entry before it"]


def test_a_gap_is_found(site, without_triggers):
    write_three(site).filter(number=2).delete()
    assert trail.faults(TrailEntry.objects.all()) == ["patient:7, entry 3: 1 entries before it are missing"]


def test_a_reorder_is_found(site, without_triggers):
    entries = write_three(site)
    first, second = entries[0].pk, entries[1].pk
    TrailEntry.objects.filter(pk=first).update(number=99)
    TrailEntry.objects.filter(pk=second).update(number=1)
    TrailEntry.objects.filter(pk=first).update(number=2)
    found = trail.faults(TrailEntry.objects.all())
    assert "patient:7, entry 1: does not follow the entry before it" in found
    assert "patient:7, entry 2: was changed after it was written" in found


@pytest.mark.django_db(transaction=True)
def test_the_trail_is_written_only_inside_a_transaction(site):
    with pytest.raises(RuntimeError, match="inside the transaction of the change"):
        trail.write([trail.Change(site.pk, 7, "seen", "patient")], actor=None, at=factories.NOW)
    assert TrailEntry.objects.count() == 0


@pytest.mark.django_db(transaction=True)
def test_a_change_that_fails_leaves_no_entry(site):
    def change_and_fail():
        with transaction.atomic():
            trail.write([trail.Change(site.pk, 7, "seen", "patient")], actor=None, at=factories.NOW)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        change_and_fail()
    assert TrailEntry.objects.count() == 0


def test_triggers_are_there_after_migrate_and_can_be_made_twice(site):
    guards.make()
    guards.make()
    entries = write_three(site)
    with pytest.raises(DatabaseError, match="the trail can only grow"), transaction.atomic():
        entries.update(why="")
    assert entries.first().why == "a reason — with a dash"
