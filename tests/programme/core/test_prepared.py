"""Statements that are made once find what the same queryset finds, for every value they are asked with."""

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import transaction
from django.db.transaction import TransactionManagementError

from programme.core.models import SiteText, User
from programme.core.prepared import Prepared
from sessions.day.models import Entry
from tests.factories import NOW, make_entry, make_patient, make_running, make_user

pytestmark = pytest.mark.django_db


def made_and_counted(make):
    """Return a prepared statement, and a list that grows each time its queryset is made."""
    times = []

    def counted(**values):
        times.append(values)
        return make(**values)

    return Prepared(counted), times


def test_it_is_made_once_and_finds_what_the_queryset_finds(site):
    names = ["lorne", "moss", "o'dea", "100%", "%s", "' OR 1=1 --", "ä", ""]
    for name in names[:5]:
        make_user(site=site, username=name)
    prepared, times = made_and_counted(lambda name: User.objects.filter(username=name))
    for name in [*names, "nobody"]:
        assert prepared.rows(name=name) == list(User.objects.filter(username=name))
        assert prepared.first(name=name) == User.objects.filter(username=name).first()
    assert len(times) == 1


def test_every_field_is_read_as_the_queryset_reads_it(site):
    running = make_running(make_patient("R1", site=site), by=make_user(site=site, role="consultant"))
    body = {"step": 1, "in_ml": 0.1, "out_ml": 12, "words": "ä", "none": None, "many": [1, {"deep": True}]}
    make_entry(running, "moved", body, by=running.prescriptions.get().authorised_by)
    prepared: Prepared[Entry] = Prepared(lambda session: Entry.objects.filter(exchange_session=session))
    names = [field.attname for field in Entry._meta.concrete_fields]
    found = [[getattr(entry, name) for name in names] for entry in prepared.rows(session=running.pk)]
    assert found == [list(row) for row in Entry.objects.filter(exchange_session=running).values_list(*names)]
    assert [type(value) for value in found[-1]] == [type(getattr(Entry.objects.last(), name)) for name in names]


def test_what_is_fixed_stands_beside_what_is_asked_in_any_order(site):
    nurse, other = make_user(site=site), make_user(site=site, username="moss", is_active=False)
    prepared = Prepared(
        lambda name, key: User.objects.filter(is_active=True, username=name, role="nurse").exclude(pk=key)
    )
    assert prepared.rows(key=other.pk, name=nurse.username) == [nurse]
    assert prepared.rows(name=nurse.username, key=nurse.pk) == []
    assert prepared.rows(name="moss", key=nurse.pk) == []


def test_moments_are_compared_to_the_microsecond_and_in_any_zone(site):
    nurse = make_user(site=site)
    for minutes in (0, 10):
        at = NOW + timedelta(minutes=minutes)
        SiteText.objects.create(site=site, name=f"t{minutes}", text="t", since=at, by=nurse, reason="r")
    rows = Prepared(lambda at: SiteText.objects.filter(since__lte=at).order_by("pk"))
    names = Prepared(lambda at: SiteText.objects.filter(since__lte=at).order_by("pk").values_list("name"))
    for late, count in ((-1, 0), (0, 1), (599_999_999, 1), (600_000_000, 2)):
        at = (NOW + timedelta(microseconds=late)).astimezone(ZoneInfo("Asia/Kathmandu"))
        assert len(rows.rows(at=at)) == len(names.figures(at=at)) == count
    assert [tuple(row) for row in names.figures(at=at)] == [("t0",), ("t10",)]


@pytest.mark.django_db(transaction=True)
def test_rows_are_held_only_inside_a_transaction(site):
    nurse = make_user(site=site)
    held = Prepared(lambda key: User.objects.select_for_update().filter(pk=key))
    for _ in range(2):  # the statement is made by the first of them
        with pytest.raises(TransactionManagementError):
            held.first(key=nurse.pk)
        with transaction.atomic():
            assert held.first(key=nurse.pk) == nurse
