"""Every address, walked as each role, as somebody of another site, and as nobody."""

import re
from pathlib import Path
from xml.etree.ElementTree import tostring

import pytest
import time_machine
import weasyprint
from django.http import HttpResponse
from django.test import Client

from programme.core import access
from programme.core.models import Role, Site, TrailEntry
from programme.core.reading import SAW
from programme.core.statement import STATEMENT
from sessions.day.numeric.states import MOVES
from tests import factories
from tests.addresses import every_address, sample
from tests.blood import make_order_with_unit, make_sample
from tests.conftest import client_of

pytestmark = pytest.mark.django_db
ADDRESSES = every_address()
NOTHING_THERE = ("fhir", "fhir/<path:rest>")
OF_A_PROVIDER = "provider/"
PRODUCT_FILES = [
    path for top in ("programme", "patients", "sessions") for path in (Path(__file__).parents[3] / top).rglob("*.py")
]
EVERY_ROLE = tuple(Role.values)
OF_MANY_PEOPLE = {
    "", "diary/", "diary/proposal/<int:key>/", "contacts/", "chairs/", "calendars/", "inbox/", "blood/", "blood/units/",
    "blood/coming/", "blood/order-sheet.pdf", "blood/order-sheet.csv", "review/monitoring/", "review/reasons/",
    "review/people/<slug:measure>/",
}  # fmt: skip
"""Pages that list people beside each other, as the unit works with them all day: they leave no look."""


def ids(address):
    return address.route or "/"


every = pytest.mark.parametrize("address", ADDRESSES, ids=ids)
rows_by_number = pytest.mark.parametrize(
    "address", [a for a in ADDRESSES if {"key", "order_number"} & {*a.names}], ids=ids
)
about_people = pytest.mark.parametrize("address", [a for a in ADDRESSES if a.is_about_a_person], ids=ids)


def make_person(site, ref):
    """Somebody with all that a page may want to show."""
    patient = factories.make_patient(ref, site=site, family_name=f"Secretname{ref}")
    course = factories.make_course(patient)
    for exchange_session in course:
        factories.make_facts(exchange_session)
    fit = factories.make_fit(site)
    factories.make_forecast(patient, model_fit=fit)
    factories.make_suggestion(patient, model_fit=fit)
    signed_by = factories.make_user(role="consultant", site=site, username=f"signs.{ref}")
    running = factories.make_running(patient, by=signed_by)
    factories.make_follow_up(running)
    factories.make_adverse_event(running, by=signed_by)
    make_order_with_unit(factories.make_booking(patient, factories.make_chair(site)))
    factories.make_away(patient)
    factories.make_waiting(patient, by=signed_by)
    factories.make_course_note(patient, by=signed_by)
    factories.make_broken_glass(patient, by=signed_by)
    factories.make_erasure(patient, by=signed_by)
    factories.make_check_done(patient, by=signed_by)
    make_sample(patient, factories.NOW)
    factories.make_proposal(by=signed_by)
    factories.make_inbox_item(patient)
    factories.make_local_code(site, by=signed_by)
    factories.make_sender(site)
    factories.make_feed(patient, secret=f"secret-of-{ref}", by=signed_by)
    return sample(course[-1], factories.make_other_transfusion(patient), running)


@pytest.fixture(scope="module")
def people(rows_of_the_module):
    """One person here and one at another unit, made once: the walk is long."""
    with time_machine.travel(factories.NOW, tick=True):
        return {
            code: make_person(factories.make_site(code, name=f"{code.title()} Day Unit"), ref)
            for code, ref in (("saltmarsh", "HERE1"), ("heronsford", "THERE1"))
        }


@pytest.fixture(scope="module")
def clients(people):
    """One signed in of each role at the unit here, made once too."""
    site = Site.objects.get(code="saltmarsh")
    with time_machine.travel(factories.NOW, tick=True):
        users = [factories.make_user(role=role, site=site, username=f"looks.as.{role}") for role in EVERY_ROLE]
        return {user.role: client_of(user) for user in users}


@pytest.fixture
def of_every_role(clients, frozen_day, db):
    return clients


@pytest.fixture(autouse=True)
def _papers_are_read_as_text(monkeypatch):
    """A paper is answered as what it is set from, so that its words can be looked through."""
    monkeypatch.setattr(weasyprint.HTML, "write_pdf", lambda self, **_: tostring(self.etree_element))


@pytest.fixture
def site(db, people):
    return Site.objects.get(code="saltmarsh")


@pytest.fixture
def here(people, db, frozen_day):
    return people["saltmarsh"]


@pytest.fixture
def there(people, db, frozen_day):
    return people["heronsford"]


def shows_somebody(address, answer):
    """Whether the walked person is read there: whoever sees that is written down."""
    named = b"SecretnameHERE1" in answer.getvalue()
    return address.is_about_a_person or (named and address.route not in OF_MANY_PEOPLE)


def nothing_there(address):
    """What belongs to a provider, where none is named, and what is answered as FHIR that there is nothing."""
    return {404} if OF_A_PROVIDER in address.route or address.route in NOTHING_THERE else set()


def refusals(address, role):
    """How something that is not there is answered: who may not ask is told nothing else."""
    return {404, 405} if role in access.matrix()[address.view.needs_action] else {403}


@pytest.mark.parametrize("role", EVERY_ROLE)
@every
def test_each_role_meets_what_the_matrix_says(address, role, here):
    client = client_of(factories.make_user(role=role))
    allowed = address.view.needs_action is None or role in access.matrix()[address.view.needs_action]
    expected = {200, 302, 400, 405, 422} if allowed else {403}
    # What asks for a token, whoever is signed in.
    expected |= {401} if address.view.needs_action is None else set()
    expected |= nothing_there(address)
    path = address.filled(here)
    answer = client.get(path)
    assert answer.status_code in expected, f"GET {path} as {role}"
    if answer.status_code == 200 and shows_somebody(address, answer):
        looks = TrailEntry.objects.filter(action=SAW, actor__role=role, patient_key=here["patient_key"])
        assert looks.exists(), f"{path} was seen by {role} unseen"
    assert client.post(path).status_code in expected, f"POST {path} as {role}"


@pytest.mark.parametrize("route", sorted(OF_MANY_PEOPLE))
def test_a_page_of_many_people_names_them_and_leaves_no_look(route, here, coordinator_client):
    (address,) = [one for one in ADDRESSES if one.route == route]
    assert b"SecretnameHERE1" in coordinator_client.get(address.filled(here)).getvalue()
    assert not TrailEntry.objects.filter(action=SAW).exists()


@every
def test_nobody_is_sent_to_sign_in(address, here):
    path = address.filled(here)
    for answer in (Client().get(path), Client().post(path)):
        if address.view.needs_action is None:
            assert answer.status_code in {200, 401, 405} | nothing_there(address)
        else:
            assert answer.status_code == 302
            assert answer["Location"].startswith("/sign-in/?next=/")


@about_people
def test_a_person_of_another_site_is_as_unknown_as_one_who_does_not_exist(address, there, of_every_role):
    path, unknown = address.filled(there), address.filled({**there, "patient_ref": "NOBODY1"})
    for role, client in of_every_role.items():
        for ask in (client.get, client.post):
            answer, control = ask(path), ask(unknown)
            assert answer.status_code == control.status_code, role
            assert answer.status_code in refusals(address, role), role
            assert b"SecretnameTHERE1" not in answer.getvalue(), role


@rows_by_number
def test_a_row_of_another_site_is_not_opened_by_its_number(address, here, there, of_every_role):
    """Nor through a person of the own site, nor a unit of theirs through an order of the own site."""
    elsewhere = {**there, "patient_ref": here["patient_ref"]}
    paths = {address.filled(elsewhere)}
    if "key" in address.names:
        paths.add(address.filled({**elsewhere, "order_number": here["order_number"]}))
    for role, client in of_every_role.items():
        for path in paths:
            for ask in (client.get, client.post):
                assert ask(path).status_code in refusals(address, role), f"{path} as {role}"


@every
def test_no_page_of_one_site_shows_a_person_of_another(address, here, there, nurse_client):
    answer = nurse_client.get(address.filled(here))
    assert b"SecretnameTHERE1" not in answer.getvalue()
    assert b"THERE1" not in answer.getvalue()


def test_somebody_who_left_the_unit_is_nobody(nurse, nurse_client, here):
    nurse.is_active = False
    nurse.save()
    for address in ADDRESSES:
        if address.view.needs_action is not None:
            assert nurse_client.get(address.filled(here)).status_code == 302


def test_a_view_without_a_mark_is_refused_to_everybody(rf, consultant, consultant_client):
    request = rf.get("/")
    request.user, request.session = consultant, consultant_client.session
    middleware = access.AccessMiddleware(lambda request: HttpResponse())
    with pytest.raises(access.PermissionDenied, match="unmarked"):
        middleware.process_view(request, lambda request: HttpResponse(), (), {})


def test_a_mark_that_is_not_in_the_matrix_is_a_mistake_in_the_code():
    with pytest.raises(KeyError, match="everything' is not in the access matrix; known are"):
        access.needs("see.everything")


def test_the_matrix_names_only_roles_that_exist_and_leaves_no_action_to_nobody():
    for action, roles in access.matrix().items():
        assert roles, action
        assert roles <= set(EVERY_ROLE), action


def test_every_action_of_the_matrix_is_asked_for():
    """By the mark of a view, by its name in the code, as a move of the state table, or where glass was broken."""
    marks = {address.view.needs_action for address in ADDRESSES}
    code = "".join(path.read_text(encoding="utf-8") for path in PRODUCT_FILES)
    named = set(re.findall(r"""\bmay\([\w.]+, "([a-z_]+\.[a-z_]+)"\)""", code))
    assert "change.reaction_judgement" in named
    moves = {f"move.{name}" for name in MOVES}
    of_a_person = {address.view.needs_action for address in ADDRESSES if address.is_about_a_person}
    through_glass = {action.replace("see.", "break_glass.") for action in of_a_person if action.startswith("see.")}
    assert set(access.matrix()) - marks - named - moves - through_glass == set()
    assert moves <= set(access.matrix())


def test_pages_about_people_are_not_kept_by_the_browser(nurse_client, here):
    assert nurse_client.get("/").headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("role", EVERY_ROLE)
def test_everybody_who_signs_in_finds_what_it_is_and_is_not_under_their_account(role, site):
    client = client_of(factories.make_user(role=role, site=site, username=f"reads.{role}"))
    assert 'href="/account/what-it-is/"' in client.get("/account/").text
    text = client.get("/account/what-it-is/").text
    assert all(sentence in text for sentence in STATEMENT)
