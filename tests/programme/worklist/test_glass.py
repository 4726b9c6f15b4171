"""Breaking the glass: read for four hours by whoever has reference and birth date, loud, and never written through."""

import re
from datetime import date, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from patients.models import Patient
from programme.core import access, break_glass, trail
from programme.core.models import BrokenGlass, TrailEntry, User
from programme.core.reading import SAW
from tests import factories
from tests.addresses import every_address
from tests.conftest import client_of
from tests.factories import NOW
from tests.programme.core.test_access import make_person

pytestmark = pytest.mark.django_db
BORN = date(1994, 3, 14)
ASK = "/other-units/"
READ = {"see.course", "see.record"}
OPENED = [a for a in every_address() if a.is_about_a_person and a.view.needs_action in READ]
OTHERS = [a for a in every_address() if a.is_about_a_person and a.view.needs_action not in {None, *READ}]


@pytest.fixture(scope="module")
def rows(rows_of_the_module):
    """Somebody of Heronsford with all that pages may want, and a nurse of Saltmarsh who may come to need it."""
    with time_machine.travel(NOW, tick=True):
        factories.make_user(site=factories.make_site("saltmarsh", name="Saltmarsh Day Unit"), username="needs.it")
        there = factories.make_site("heronsford", name="Heronsford Day Unit")
        factories.make_user(site=there, username="theirs")
        values = make_person(there, "THERE1")
        Patient.objects.filter(patient_ref="THERE1").update(birth_date=BORN)
        BrokenGlass.objects.all().delete()
        return values


@pytest.fixture
def clock(rows):
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def nurse(db, clock):
    return User.objects.get(username="needs.it")


@pytest.fixture
def client(nurse):
    return client_of(nurse)


@pytest.fixture
def theirs(db, clock):
    return User.objects.get(username="theirs")


@pytest.fixture
def person(db, clock):
    return Patient.objects.get(patient_ref="THERE1")


def asked(**other):
    sent = {"patient_ref": "THERE1", "birth_date": "14 Mar 1994", "kind": "emergency", "words": "in crisis, ward 4"}
    return {**sent, "receipt": "a-key", **other}


def open_it(person, user, at=NOW):
    return break_glass.break_it(
        people=Patient.objects.all(), patient=person, kind="emergency", words="in crisis", user=user, at=at
    )


def find(user, ref="THERE1", born=BORN, at=NOW):
    return break_glass.find(people=Patient.objects.all(), patient_ref=ref, birth_date=born, user=user, at=at)


def test_who_asks_rightly_reads_and_the_trails_of_both_units_say_so(client, nurse, person):
    assert client.get("/people/THERE1/").status_code == 404
    assert client.post(ASK, asked())["Location"] == "/people/THERE1/"
    client.post(ASK, asked())  # a double Enter breaks it once
    row = BrokenGlass.objects.get()
    assert (row.user, row.patient_key, row.until) == (nurse, person.pk, NOW + timedelta(hours=4))
    page = client.get("/people/THERE1/").content.decode()
    assert "You read this by breaking the glass" in page
    at_theirs = TrailEntry.objects.get(action=break_glass.BROKE, patient_key=person.pk)
    assert (at_theirs.site, at_theirs.actor, at_theirs.after["unit"]) == (person.site, nurse, "Saltmarsh Day Unit")
    assert "in crisis, ward 4" in at_theirs.why
    at_own = TrailEntry.objects.get(action=break_glass.BROKE, patient_key=None)
    assert (at_own.site, at_own.row_key, at_own.why) == (nurse.site, nurse.pk, "")
    looked = TrailEntry.objects.get(action=SAW, actor=nurse)
    assert (looked.site, looked.patient_key) == (person.site, person.pk)  # read in the trail of the person's unit
    assert not trail.faults(TrailEntry.objects.all())


def test_every_page_that_opens_is_loud_and_every_other_address_is_refused(client, nurse, person, rows):
    open_it(person, nurse)
    assert len(OPENED) >= 8
    for address in OPENED:
        answer = client.get(address.filled(rows))
        assert answer.status_code == 200, address.route
        if answer["Content-Type"].startswith("text/html"):
            assert "You read this by breaking the glass" in answer.content.decode(), address.route
        assert client.post(address.filled(rows)).status_code == 405, address.route
    before = TrailEntry.objects.count(), Patient.objects.get(pk=person.pk).data_version
    for client_ in (client, client_of(factories.make_user(role="consultant", site=nurse.site, username="consults"))):
        if client_ is not client:
            open_it(person, User.objects.get(username="consults"))
            before = TrailEntry.objects.count(), person.data_version
        for address in OTHERS:
            for ask in (client_.get, client_.post):
                answer = ask(address.filled(rows))
                assert answer.status_code in {403, 404, 405}, address.route
                assert b"SecretnameTHERE1" not in answer.getvalue()
    assert (TrailEntry.objects.count(), Patient.objects.get(pk=person.pk).data_version) == before


@pytest.mark.parametrize("role", ["nurse", "consultant"])
@pytest.mark.parametrize("name", ["course", "records", "compare"])
def test_no_link_or_form_of_such_a_page_leads_to_a_refusal(name, role, nurse, person):
    user = factories.make_user(role=role, site=nurse.site, username=f"a.{role}")
    open_it(person, user)
    client = client_of(user)
    page = client.get(reverse(f"worklist:{name}", args=["THERE1"])).content.decode()
    links = set(re.findall(r'href="([^"#?]*/people/[^"#?]*)', page))
    assert not [link for link in sorted(links) if client.get(link).status_code != 200]
    assert not re.findall(r'<form[^>]*method="post"[^>]*action="(/people/[^"]*)"', page)


def test_it_ends_after_four_hours_and_opens_nobody_else(client, nurse, person, clock):
    other = factories.make_patient("THERE2", site=person.site, birth_date=BORN)
    open_it(person, nurse)
    assert client.get(f"/people/{other.patient_ref}/").status_code == 404
    colleague = factories.make_user(role="consultant", site=nurse.site, username="beside")
    assert client_of(colleague).get("/people/THERE1/").status_code == 404
    clock.shift(timedelta(hours=4) - timedelta(seconds=1))
    assert client_of(nurse).get("/people/THERE1/").status_code == 200
    clock.shift(timedelta(seconds=1))
    assert client_of(nurse).get("/people/THERE1/").status_code == 404


@pytest.mark.parametrize(
    "wrong", [{"patient_ref": "NOBODY"}, {"birth_date": "15 Mar 1994"}, {"patient_ref": "there1 "}]
)
def test_what_does_not_fit_tells_nothing_and_is_counted(wrong, client, nurse):
    page = client.post(ASK, asked(**wrong))
    text = page.content.decode()
    assert "do not fit together at any other unit" in text
    assert "Heronsford" not in text
    entry = TrailEntry.objects.get(action=break_glass.REFUSED)
    assert (entry.site, entry.actor, entry.after, entry.why) == (nurse.site, nurse, None, "")
    assert not BrokenGlass.objects.exists()


def test_after_five_wrong_tries_even_the_right_one_waits_whatever_fitted_between(nurse, person):
    for minute in range(5):
        with pytest.raises(ValidationError, match="do not fit"):
            find(nurse, born=date(1990, 1, 1 + minute))
        find(nurse) if minute < 4 else None
    with pytest.raises(ValidationError, match="After 5 wrong tries the next one waits for 1 min"):
        find(nurse)
    assert find(nurse, at=NOW + timedelta(seconds=60)) == person
    with pytest.raises(ValidationError, match="do not fit"):
        find(nurse, born=date(1990, 1, 9), at=NOW + timedelta(seconds=60))
    with pytest.raises(ValidationError, match="After 6 wrong tries the next one waits for 2 min"):
        find(nurse, at=NOW + timedelta(seconds=61))


def test_nobody_is_opened_who_could_be_taken_for_another(nurse, person):
    twin = factories.make_patient("THERE1", site=factories.make_site("elsemere", name="Elsemere"), birth_date=BORN)
    with pytest.raises(ValidationError, match="or more than once"):
        find(nurse)
    twin.birth_date = date(1990, 1, 1)
    twin.save()
    for one in (person, twin):  # opened one after the other, their pages would have one address
        open_it(one, nurse)
    assert client_of(nurse).get("/people/THERE1/").status_code == 404
    factories.make_patient("THERE1", site=nurse.site)
    with pytest.raises(ValidationError, match="Your own unit has somebody with this reference"):
        find(nurse)


def test_only_nurse_and_consultant_ask_and_say_why(client, nurse, person):
    for role in ("coordinator", "administrator"):
        user = factories.make_user(role=role, site=nurse.site, username=role)
        assert client_of(user).post(ASK, asked()).status_code == 403
        open_it(person, user)
        assert client_of(user).get("/people/THERE1/").status_code in {403, 404}
    assert client.post(ASK, asked(words="")).status_code == 200
    assert not BrokenGlass.objects.filter(user=nurse).exists()
    with pytest.raises(ValidationError, match="Say why"):
        break_glass.break_it(people=Patient.objects.all(), patient=person, kind="other", words=" ", user=nurse, at=NOW)


def test_the_unit_of_the_person_sees_it_on_list_and_course_until_somebody_there_has_read_it(
    client, nurse, theirs, person
):
    row = open_it(person, nurse)
    there = client_of(theirs)
    for path in ("/", "/people/THERE1/"):
        page = b"".join(there.get(path)).decode()
        assert "Opened elsewhere" in page
        assert f"{nurse.full_name}, specialist nurse of Saltmarsh Day Unit" in page
        assert "in crisis" in page
    assert "Opened elsewhere" not in b"".join(client.get("/")).decode()
    path = reverse("worklist:acknowledge_glass", args=["THERE1", row.pk])
    assert client.post(path).status_code == 404  # not by who broke it
    for _ in range(2):
        assert there.post(path)["Location"] == "/people/THERE1/"
    row.refresh_from_db()
    assert (row.seen_by, row.seen_at) == (theirs, NOW)
    assert TrailEntry.objects.filter(action=break_glass.ACKNOWLEDGED).count() == 1
    assert "Opened elsewhere" not in b"".join(there.get("/")).decode()
    assert client.get("/people/THERE1/").status_code == 200  # it is still open


def test_only_pages_that_are_read_can_be_in_the_list_of_what_opens():
    opens = {action.removeprefix("break_glass.") for action in access.matrix() if action.startswith("break_glass.")}
    assert opens - {"ask"} == {"course", "record"}
    assert {f"see.{what}" for what in opens - {"ask"}} <= set(access.matrix())
