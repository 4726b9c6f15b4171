"""An administrator: users of the unit, helped to sign in and deactivated, and nothing about anybody who is treated."""

import re
from datetime import timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse

from programme.core import access, accounts, trail
from programme.core.models import EditedMeanwhile, SignInTries, TrailEntry, User
from programme.core.services import prove
from tests.conftest import client_of
from tests.factories import NOW, PASSWORD, make_patient, make_user

pytestmark = pytest.mark.django_db
THEIR_OWN = "an owl in the green elm"
SEEN_BY_AN_ADMINISTRATOR = {
    "see.own_account", "see.users", "change.users", "see.erasures", "change.agree_erasure", "change.withdraw_erasure",
    "change.erase",
}  # fmt: skip


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def administrator(site):
    return make_user(role="administrator", site=site)


@pytest.fixture
def admin(administrator):
    return client_of(administrator)


def details(user, **other):
    return accounts.Details(**{"full_name": user.full_name, "role": user.role, "is_active": user.is_active, **other})


def change(user, actor, *, version=None, reason="leaves the unit", **other):
    accounts.change(
        user=user, version=version or user.version, to=details(user, **other), reason=reason, actor=actor, at=NOW
    )
    user.refresh_from_db()


def help_with(user, actor, step, reason="known in person"):
    return step(user=user, version=user.version, reason=reason, actor=actor, at=NOW)


def sign_in(name, password, then="/"):
    client = Client()
    return client, client.post(reverse("core:sign_in") + f"?next={then}", {"username": name, "password": password})


def is_in(client):
    return client.get("/account/").status_code == 200


def test_the_matrix_gives_an_administrator_nothing_clinical():
    # Least privilege: common practice.
    own = {action for action, roles in access.matrix().items() if "administrator" in roles}
    assert own == SEEN_BY_AN_ADMINISTRATOR
    assert access.matrix()["change.users"] == {"administrator"}


def test_an_administrator_begins_with_the_users_and_not_with_the_list(site):
    make_user(role="administrator", site=site, username="d.hallam", with_password=True)
    make_user(role="nurse", site=site, username="a.fenwick", with_password=True)
    assert sign_in("d.hallam", PASSWORD)[1]["Location"] == reverse("core:users")
    assert sign_in("a.fenwick", PASSWORD)[1]["Location"] == "/"
    assert sign_in("d.hallam", PASSWORD, then="/account/")[1]["Location"] == "/account/"


def test_no_page_of_an_administrator_names_anybody_who_is_treated(admin, administrator, site):
    make_patient("TREATED1", site=site, family_name="Secretname")
    assert admin.get("/").status_code == 403
    for path in (reverse("core:users"), reverse("core:add_user"), reverse("core:user", args=[administrator.pk])):
        page = admin.get(path).content.decode()
        assert "Secretname" not in page
        assert "TREATED1" not in page
        assert 'href="/"' not in page  # nothing leads to the list


@pytest.mark.parametrize("more", [0, 2])
def test_the_list_of_users_asks_the_same_queries_for_one_and_for_three(
    more, admin, administrator, site, django_assert_num_queries
):
    for number in range(more):
        make_user(site=site, username=f"n{number}")
    with django_assert_num_queries(4):  # session, who is signed in, site, users
        admin.get(reverse("core:users"))


def test_somebody_is_added_with_a_password_that_is_shown_once_and_must_be_changed(admin, site):
    asked = {"full_name": "R. Moss", "username": "r.moss", "role": "nurse", "receipt": "once-only"}
    page = admin.post(reverse("core:add_user"), asked)
    shown = page.context["password"]
    assert re.fullmatch(r"([2-9a-z]{5}-){3}[2-9a-z]{5}", shown)
    again = admin.post(reverse("core:add_user"), asked)  # a double Enter adds nobody else and shows nothing again
    moss = User.objects.get(username="r.moss")
    assert again["Location"] == reverse("core:user", args=[moss.pk])
    assert shown not in str(list(TrailEntry.objects.values()))
    client, _ = sign_in("r.moss", shown)
    for path in ("/", "/account/", "/review/"):
        assert client.get(path)["Location"] == reverse("core:change_password")
    new = {"old_password": shown, "new_password1": shown, "new_password2": shown}
    assert "only you know" in client.post(reverse("core:change_password"), new).content.decode()
    client.post(reverse("core:change_password"), {**new, "new_password1": THEIR_OWN, "new_password2": THEIR_OWN})
    assert client.get("/").status_code == 200
    assert sign_in("r.moss", THEIR_OWN)[1]["Location"] == "/"


def test_a_first_password_is_worth_nothing_after_three_days(site, administrator, clock):
    _, password = accounts.add(username="r.moss", full_name="R. Moss", role="nurse", actor=administrator, at=NOW)
    clock.shift(timedelta(hours=72, seconds=1))
    client, page = sign_in("r.moss", password)
    assert "not used in time" in page.content.decode()
    assert not is_in(client)
    assert SignInTries.objects.get().failures == 1


def test_every_fault_of_what_was_typed_is_said_and_nobody_added(admin, nurse):
    asked = {"full_name": "R. Moss", "username": nurse.username, "role": "nurse", "receipt": "a"}
    assert "already exists" in admin.post(reverse("core:add_user"), asked).content.decode()
    asked = {"full_name": "", "username": "r.moss", "role": "director", "receipt": "b"}
    assert "director is not one of" in admin.post(reverse("core:add_user"), asked).content.decode()
    assert User.objects.filter(username="r.moss").count() == 0


def test_who_is_deactivated_is_out_at_once_and_stays_in_the_list(admin, administrator, site):
    moss = make_user(site=site, username="r.moss", with_password=True)
    hers, _ = sign_in("r.moss", PASSWORD)
    asked = {"full_name": moss.full_name, "role": "nurse", "reason": "left on Friday", "version": 1, "receipt": "a"}
    assert admin.post(reverse("core:user", args=[moss.pk]), asked)["Location"] == reverse("core:users")
    assert not is_in(hers)
    assert not is_in(sign_in("r.moss", PASSWORD)[0])
    assert "deactivated" in admin.get(reverse("core:users")).content.decode()
    entry = TrailEntry.objects.get(action=accounts.CHANGED)
    assert (entry.actor, entry.why, entry.row_version) == (administrator, "left on Friday", 2)
    assert (entry.before["active"], entry.after["active"]) == (True, False)
    assert not trail.faults(TrailEntry.objects.all())


def test_another_role_ends_what_was_signed_in_with_the_earlier_one(administrator, site):
    moss = make_user(site=site, username="r.moss", with_password=True)
    hers, _ = sign_in("r.moss", PASSWORD)
    change(moss, administrator, role="coordinator", reason="new post")
    assert not is_in(hers)
    assert moss.role == "coordinator"


def test_nobody_takes_the_own_role_and_the_last_administrator_stays(administrator, site):
    with pytest.raises(ValidationError, match="another administrator"):
        change(administrator, administrator, role="nurse")
    with pytest.raises(ValidationError, match="another administrator"):
        change(administrator, administrator, is_active=False)
    other = make_user(role="administrator", site=site, username="other")
    change(other, administrator, is_active=False)
    with pytest.raises(
        ValidationError, match="last administrator"
    ):  # as two who do it to each other at the same moment
        change(administrator, other, role="nurse")
    change(administrator, administrator, full_name="D. Hallam-Reed", reason="married")
    assert User.objects.get(pk=administrator.pk).full_name == "D. Hallam-Reed"


def test_two_administrators_do_not_write_over_one_another(administrator, nurse):
    change(nurse, administrator, full_name="First", reason="misspelt")
    with pytest.raises(EditedMeanwhile):
        change(nurse, administrator, version=1, full_name="Second", reason="misspelt")
    nurse.version = 1
    for step in (accounts.give_first_password, accounts.reset_second_proof, accounts.end_sign_ins):
        nurse.second_proof_since = NOW
        nurse.save(update_fields=["second_proof_since"])
        with pytest.raises(EditedMeanwhile):
            help_with(nurse, administrator, step)
    assert User.objects.get(pk=nurse.pk).full_name == "First"
    assert User.objects.get(pk=nurse.pk).has_second_proof


@pytest.mark.parametrize(
    "step", [accounts.give_first_password, accounts.reset_second_proof, accounts.end_sign_ins, accounts.open_sign_in]
)
def test_nothing_is_done_without_a_reason(step, administrator, site):
    moss = make_user(site=site, second_proof_salt="s", second_proof_since=NOW)
    with pytest.raises(ValidationError, match="Say why"):
        help_with(moss, administrator, step, reason=" ")
    moss.refresh_from_db()
    assert (moss.version, moss.has_second_proof, moss.initial_password_until) == (1, True, None)


def test_who_forgot_the_password_gets_a_first_one_and_the_old_one_ends(admin, administrator, site):
    moss = make_user(site=site, username="r.moss", with_password=True)
    hers, _ = sign_in("r.moss", PASSWORD)
    asked = {"what": "password", "reason": "came in person", "version": 1, "receipt": "a"}
    page = admin.post(reverse("core:help_to_sign_in", args=[moss.pk]), asked)
    assert not is_in(hers)
    assert not is_in(sign_in("r.moss", PASSWORD)[0])
    assert sign_in("r.moss", page.context["password"])[0].get("/")["Location"] == reverse("core:change_password")
    with pytest.raises(ValidationError, match="under Account"):
        help_with(administrator, administrator, accounts.give_first_password)


def test_who_lost_the_telephone_sets_up_another_and_was_signed_out(admin, administrator, site):
    moss = make_user(site=site, username="r.moss", second_proof_salt="s", second_proof_since=NOW)
    asked = {"what": "second_proof", "reason": "telephone lost", "version": 1, "receipt": "a"}
    admin.post(reverse("core:help_to_sign_in", args=[moss.pk]), asked)
    moss.refresh_from_db()
    assert not moss.has_second_proof
    entry = TrailEntry.objects.get(action="reset second proof")
    assert (entry.actor, entry.why) == (administrator, "telephone lost")
    with pytest.raises(ValidationError, match="another administrator"):
        help_with(administrator, administrator, accounts.reset_second_proof)


def test_wrong_tries_are_forgotten_and_sign_ins_ended_on_request(admin, administrator, site):
    moss = make_user(site=site, username="r.moss", with_password=True)
    hers, _ = sign_in("r.moss", PASSWORD)
    sign_in("r.moss", "not this one")
    assert SignInTries.objects.get().failures == 1
    for version, what in ((1, "open"), (2, "end")):
        asked = {"what": what, "reason": "rang, known by voice", "version": version, "receipt": what}
        admin.post(reverse("core:help_to_sign_in", args=[moss.pk]), asked)
    assert not SignInTries.objects.exists()
    assert not is_in(hers)
    said = admin.get(reverse("core:user", args=[moss.pk])).context["said"]
    assert [entry.action for entry in said][:2] == ["ended all sign-ins of a user", "opened sign-in again"]


def test_what_the_trail_says_of_an_account_says_nothing_of_people(administrator, nurse, site):
    patient = make_patient(site=site)
    said = [
        trail.Change(site.pk, patient.pk, "changed person", "patient", nurse.pk),
        trail.Change(site.pk, None, "change text", "core.SiteText", nurse.pk),
        trail.Change(site.pk, None, "added user", "user", nurse.pk),
    ]
    trail.write(said, actor=nurse, at=NOW)
    assert [entry.action for entry in accounts.said_of(nurse)] == ["added user"]


def test_users_of_another_unit_are_unknown(admin, nurse_elsewhere):
    assert nurse_elsewhere.full_name not in admin.get(reverse("core:users")).content.decode()
    assert admin.get(reverse("core:user", args=[nurse_elsewhere.pk])).status_code == 404
    asked = {"what": "end", "reason": "no", "version": 1, "receipt": "a"}
    assert admin.post(reverse("core:help_to_sign_in", args=[nurse_elsewhere.pk]), asked).status_code == 404


def test_a_first_password_signs_no_second_check(administrator, site, nurse):
    _, password = accounts.add(username="r.moss", full_name="R. Moss", role="nurse", actor=administrator, at=NOW)
    with pytest.raises(ValidationError, match="do not fit together"):
        prove(username="r.moss", secret=password, site=site, actor=nurse, at=NOW, instead="wait")
