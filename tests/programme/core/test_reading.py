"""Every look at a person's page is an entry of the trail, once for each quarter of an hour."""

from datetime import timedelta

import pytest
import time_machine
from django.db import DatabaseError

from programme.core import reading, trail
from programme.core.models import TrailEntry
from programme.core.reading import SAW
from programme.supply.models import SuppliedUnit
from tests import factories
from tests.at_once import at_once
from tests.blood import make_order_with_unit, number_of
from tests.factories import NOW


@pytest.fixture
def ada(site):
    return factories.make_patient("R1", site=site)


def looks():
    return list(TrailEntry.objects.filter(action=SAW).order_by("pk").values_list("chain", "number", "row_kind"))


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_a_look_is_written_with_who_when_and_which_page(nurse_client, nurse, ada):
    nurse_client.get("/people/R1/records/")
    entry = TrailEntry.objects.get(action=SAW)
    assert (entry.actor, entry.patient_key, entry.site_id) == (nurse, ada.pk, ada.site_id)
    assert (entry.row_kind, entry.chain, entry.before, entry.after) == ("records", f"seen:{ada.pk}", None, None)
    assert abs(entry.at - NOW) < timedelta(minutes=1)


@pytest.mark.django_db
def test_the_same_page_within_a_quarter_of_an_hour_is_the_same_look(nurse_client, consultant_client, ada):
    with time_machine.travel(NOW, tick=False) as clock:
        for client in (nurse_client, nurse_client, consultant_client):
            client.get("/people/R1/records/")
        nurse_client.get("/people/R1/reactions/")
        clock.shift(reading.AGAIN_AFTER_S - 1)
        nurse_client.get("/people/R1/records/")
        assert len(looks()) == 3
        clock.shift(2)
        nurse_client.get("/people/R1/records/")
    assert looks() == [
        (f"seen:{ada.pk}", n, page) for n, page in enumerate(("records", "records", "reactions", "records"), start=1)
    ]
    assert trail.faults(TrailEntry.objects.all()) == []


@pytest.mark.django_db
def test_what_asks_again_and_again_belongs_to_its_page(nurse_client, consultant, ada):
    running = factories.make_running(ada, by=consultant)
    for _ in range(3):
        nurse_client.get(f"/people/R1/day/{running.pk}/run/")
        nurse_client.get(f"/people/R1/day/{running.pk}/since/0/")
    assert [page for _, _, page in looks()] == ["run"]


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_an_order_is_a_page_of_the_person_it_is_for(coordinator_client, site, ada):
    order = make_order_with_unit(factories.make_booking(ada, factories.make_chair(site)))
    coordinator_client.get(f"/blood/orders/{order.number}/")
    coordinator_client.get(f"/blood/orders/{order.number}.pdf")
    coordinator_client.post(f"/blood/orders/{order.number}/release/")
    assert looks() == [(f"seen:{ada.pk}", 1, "order"), (f"seen:{ada.pk}", 2, "order pdf")]


@pytest.mark.django_db
def test_an_item_of_the_inbox_is_a_page_of_everybody_it_names(nurse_client, site, ada):
    near = factories.make_patient("R2", site=site)
    of_ada = factories.make_inbox_item(ada)
    of_either = factories.make_inbox_item(ada, reason="two_people_fit", about={"near": [ada.pk, near.pk]})
    type(of_either).objects.filter(pk=of_either.pk).update(patient=None)
    nurse_client.get("/inbox/")
    assert looks() == []
    nurse_client.get(f"/inbox/{of_ada.pk}/")
    assert looks() == [(f"seen:{ada.pk}", 1, "inbox item")]
    nurse_client.get(f"/inbox/{of_either.pk}/")  # of the one it is the same look
    assert looks() == [(f"seen:{ada.pk}", 1, "inbox item"), (f"seen:{near.pk}", 1, "inbox item")]


@pytest.mark.django_db
@pytest.mark.usefixtures("frozen_day")
def test_tracing_a_donation_is_a_look_at_everybody_it_names(coordinator_client, consultant, site, ada):
    make_order_with_unit(factories.make_booking(ada, factories.make_chair(site)))
    number = SuppliedUnit.objects.get().donation_number
    other = factories.make_patient("R2", site=site)
    factories.make_running(other, by=consultant).donation_units.filter(place=1).update(donation_number=number)
    coordinator_client.get("/blood/trace/", {"number": number_of(1)})
    assert looks() == []  # nobody had it
    coordinator_client.get("/blood/trace/", {"number": number})
    assert sorted(looks()) == sorted((f"seen:{one.pk}", 1, "trace") for one in (ada, other))


@pytest.mark.django_db
def test_a_person_of_another_site_leaves_no_look(other_site, nurse_client):
    factories.make_patient("THERE1", site=other_site)
    assert nurse_client.get("/people/THERE1/records/").status_code == 404
    assert looks() == []


@pytest.mark.django_db
def test_what_cannot_be_written_is_not_shown_and_is_tried_again(nurse_client, ada, monkeypatch):
    def no_disk(*args, **kwargs):
        raise DatabaseError("disk is full")

    nurse_client.raise_request_exception = False
    with monkeypatch.context() as broken:
        broken.setattr(trail, "write", no_disk)
        answer = nurse_client.get("/people/R1/records/")
        assert answer.status_code == 500
        assert b"R1" not in answer.content
    nurse_client.get("/people/R1/records/")
    assert len(looks()) == 1


@pytest.mark.django_db(transaction=True)
def test_many_who_look_at_once_are_all_written(site, ada):
    people = [factories.make_user(role="nurse", site=site, username=f"looks.{n}") for n in range(6)]
    at_once(
        lambda user: reading.note(user=user, site_key=user.site_id, patient_key=ada.pk, page="course", at=NOW),
        [[one] for one in people],
    )
    assert [number for _, number, _ in looks()] == [1, 2, 3, 4, 5, 6]
    assert trail.faults(TrailEntry.objects.all()) == []
