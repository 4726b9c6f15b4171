"""The second proof: six digits once each, recovery codes, roles that must have one, and the way back."""

import base64
import io
import re
from datetime import UTC, datetime, timedelta
from urllib.parse import parse_qs, urlsplit

import pytest
import time_machine
from django.core.exceptions import ImproperlyConfigured, ValidationError
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django_otp.oath import totp

from programme import settings as our_settings
from programme.core import second_proof
from programme.core.models import RecoveryCode, Role, TrailEntry
from programme.core.second_proof import fits, new_salt, secret_of, set_up, step_of
from tests.conftest import client_of
from tests.factories import NOW, PASSWORD, make_user

SALT = "5a" * 32
LATER = NOW + timedelta(minutes=5)
RFC_SECRET = b"12345678901234567890"


def shown(at, salt=SALT):
    """What the telephone shows at a moment."""
    with time_machine.travel(at, tick=False):
        return f"{totp(secret_of(salt)):06d}"


@pytest.fixture
def fenwick(site):
    return make_user(site=site, username="a.fenwick", full_name="A. Fenwick", with_password=True)


@pytest.fixture
def codes(fenwick):
    return set_up(user=fenwick, salt=SALT, code=shown(NOW), at=NOW)


@pytest.mark.parametrize(
    ("seconds", "eight_digits"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_the_digits_are_those_of_the_standard(seconds, eight_digits):
    # RFC 6238 (2011), appendix B, SHA-1; six digits are the last six of the eight (RFC 4226 (2005), 5.3).
    at = datetime.fromtimestamp(seconds, tz=UTC)
    assert step_of(eight_digits[2:], secret=RFC_SECRET, after_step=0, at=at) == seconds // 30
    other = f"{(int(eight_digits[2:]) + 1) % 10**6:06d}"
    assert step_of(other, secret=RFC_SECRET, after_step=0, at=at) is None


@pytest.mark.parametrize(("off_s", "accepted"), [(-60, False), (-30, True), (0, True), (30, True), (60, False)])
def test_a_telephone_may_be_half_a_minute_off(off_s, accepted):
    # RFC 6238 (2011), 5.2: at most one step.
    code = shown(NOW + timedelta(seconds=off_s))
    assert (step_of(code, secret=secret_of(SALT), after_step=0, at=NOW) is not None) is accepted


@pytest.mark.parametrize(
    "code", ["", "12345", "1234567", "12 456", "abcdef", "\u0661\u0662\u0663\u0664\u0665\u0666", "-12345"]
)
def test_what_is_not_six_digits_does_not_fit(code):
    assert step_of(code, secret=RFC_SECRET, after_step=0, at=NOW) is None


@pytest.mark.django_db
def test_the_picture_and_the_typed_secret_say_the_same(fenwick):
    asked = urlsplit(second_proof.address_for_telephone(SALT, fenwick))
    assert (asked.scheme, asked.netloc, asked.path) == ("otpauth", "totp", "/Ebbline:a.fenwick")
    secret = parse_qs(asked.query)["secret"][0]
    assert base64.b32decode(secret) == secret_of(SALT)
    assert second_proof.typed_secret(SALT).replace(" ", "") == secret
    assert len(secret_of(SALT)) == 20
    assert second_proof.square_picture("otpauth://x").startswith("data:image/svg+xml")
    assert "style" not in second_proof.square_picture("otpauth://x")


@pytest.mark.django_db
def test_each_six_digits_fit_once(fenwick, codes):
    assert not fits(user=fenwick, code=shown(NOW), at=NOW)  # they set it up
    later = shown(LATER)
    assert fits(user=fenwick, code=f"{later[:3]} {later[3:]}", at=LATER)
    fenwick.refresh_from_db()
    assert not fits(user=fenwick, code=later, at=LATER)
    assert not fits(user=fenwick, code=shown(LATER - timedelta(seconds=30)), at=LATER)
    assert fits(user=fenwick, code=shown(LATER + timedelta(seconds=30)), at=LATER)


@pytest.mark.django_db
def test_two_at_once_with_the_same_digits_are_one(fenwick, codes):
    twin = type(fenwick).objects.get(pk=fenwick.pk)
    assert fits(user=fenwick, code=shown(LATER), at=LATER)
    assert not fits(user=twin, code=shown(LATER), at=LATER)  # read before the first was written


@pytest.mark.django_db
def test_a_recovery_code_works_once_and_only_its_hash_is_kept(fenwick, codes):
    assert len(set(codes)) == 10
    assert not any(code.replace("-", "") in str(list(RecoveryCode.objects.values())) for code in codes)
    assert fits(user=fenwick, code=f" {codes[3].upper()} ", at=LATER)
    assert not fits(user=fenwick, code=codes[3], at=LATER)
    assert fits(user=fenwick, code=codes[4].replace("-", ""), at=LATER)
    assert TrailEntry.objects.filter(action="used a recovery code").count() == 2
    other = make_user(site=fenwick.site, username="other", second_proof_since=NOW, second_proof_salt=new_salt())
    assert not fits(user=other, code=codes[5], at=LATER)


@pytest.mark.django_db
def test_new_recovery_codes_make_the_earlier_ones_worthless(fenwick, codes):
    newer = second_proof.renew_codes(user=fenwick, at=LATER)
    assert not fits(user=fenwick, code=codes[0], at=LATER)
    assert fits(user=fenwick, code=newer[0], at=LATER)


@pytest.mark.django_db
def test_it_is_on_only_once_the_telephone_has_shown_the_right_digits(fenwick):
    with pytest.raises(ValidationError, match="do not fit"):
        set_up(user=fenwick, salt=SALT, code=shown(NOW, salt=new_salt()), at=NOW)
    fenwick.refresh_from_db()
    assert not fenwick.has_second_proof
    set_up(user=fenwick, salt=SALT, code=shown(NOW), at=NOW)
    with pytest.raises(ValidationError, match="set up already"):
        set_up(user=fenwick, salt=SALT, code=shown(LATER), at=LATER)


@pytest.mark.django_db
def test_a_copy_of_the_database_alone_does_not_hold_the_secret(fenwick, codes, settings):
    mine = secret_of(fenwick.second_proof_salt)
    settings.SECRET_KEY = "another key " * 6
    assert secret_of(fenwick.second_proof_salt) != mine
    assert fits(user=fenwick, code=codes[0], at=LATER)  # recovery codes do not hang on the key


# Signing in


def password_step(client, **more):
    said = {"username": "a.fenwick", "password": PASSWORD, "next": "/review/", **more}
    return client.post(reverse("core:sign_in"), said)


@pytest.mark.django_db
def test_the_password_alone_opens_nothing_and_the_digits_then_lead_on(fenwick, codes, client):
    with time_machine.travel(LATER, tick=False):
        assert password_step(client)["Location"] == reverse("core:second_step")
        assert client.get("/")["Location"].startswith("/sign-in/")
        assert "ebbline_browser" not in client.cookies
        wrong = client.post(reverse("core:second_step"), {"code": "000000"})
        assert "This does not fit, or was used already" in wrong.content.decode()
        assert client.get("/").status_code == 302
        answer = client.post(reverse("core:second_step"), {"code": shown(LATER)})
        assert (answer.status_code, answer["Location"]) == (302, "/review/")
        assert client.get("/").status_code == 200
        assert client.cookies["ebbline_browser"]["httponly"]
    actions = list(TrailEntry.objects.order_by("number").values_list("action", flat=True))
    assert actions == ["set up second proof", "refused a sign-in", "signed in"]


@pytest.mark.django_db
def test_the_second_page_alone_or_too_late_or_after_a_new_password_opens_nothing(fenwick, codes, client):
    step = reverse("core:second_step")
    with time_machine.travel(LATER, tick=False) as clock:
        assert "Name and password come first" in client.post(step, {"code": shown(LATER)}).content.decode()
        password_step(client)
        clock.shift(timedelta(minutes=10))
        assert "Name and password come first" in client.get(step).content.decode()
        password_step(client)
        assert "Six digits from your telephone" in client.get(step).content.decode()
        fenwick.refresh_from_db()
        fenwick.set_password("quite another one here")
        fenwick.save()
        assert "Name and password come first" in client.get(step).content.decode()


@pytest.mark.django_db
def test_guessed_digits_wait_like_guessed_passwords_however_often_the_password_is_given(fenwick, codes):
    with time_machine.travel(LATER, tick=False):
        for _ in range(5):
            client = Client()
            password_step(client)
            page = client.post(reverse("core:second_step"), {"code": "000000"}).content.decode()
            assert "This does not fit" in page
        assert "After 5 wrong tries" in client.post(reverse("core:second_step"), {"code": codes[0]}).content.decode()
        assert "After 5 wrong tries" in password_step(Client()).content.decode()
    assert RecoveryCode.objects.filter(used_at=None).count() == 10


@pytest.mark.django_db
def test_setting_up_ends_what_was_signed_in_elsewhere_before(fenwick):
    here, elsewhere = client_of(fenwick), client_of(fenwick)
    here.get(reverse("core:second_proof"))
    salt = here.session["second_proof_salt"]
    with time_machine.travel(LATER, tick=False):
        said = {"password": PASSWORD, "code": shown(LATER, salt)}
        page = here.post(reverse("core:second_proof"), said)
        found = re.findall(r">([0-9a-z]{5}-[0-9a-z]{5})<", page.content.decode())
        assert len(found) == 10
        assert elsewhere.get("/").status_code == 302
        status = here.get(reverse("core:second_proof")).content.decode()
        assert "10 of your recovery codes are left" in status
        assert not any(code in status for code in found)


# Roles that must have one


@pytest.mark.django_db
def test_a_role_that_must_have_one_sees_nothing_else_until_it_is_set_up(fenwick, settings, site):
    settings.SECOND_PROOF_ROLES = frozenset({"nurse"})
    client = client_of(fenwick)
    for path in ("/", "/account/", "/review/"):
        assert client.get(path)["Location"] == reverse("core:second_proof")
    assert "Your role signs in with a second proof" in client.get(reverse("core:second_proof")).content.decode()
    assert client_of(make_user(role="consultant", site=site)).get("/").status_code == 200
    set_up(user=fenwick, salt=SALT, code=shown(NOW), at=NOW)
    client = client_of(fenwick)
    assert client.get("/").status_code == 200
    off = client.post(reverse("core:second_proof_off"), {"password": PASSWORD})
    assert "it cannot be turned off" in off.content.decode()
    fenwick.refresh_from_db()
    assert fenwick.has_second_proof


def test_a_role_that_does_not_exist_is_refused_by_the_settings(monkeypatch):
    monkeypatch.setenv("SECOND_PROOF_ROLES", "nurse, doctor")
    with pytest.raises(
        ImproperlyConfigured, match="doctor is no role; write some of administrator, consultant, coordinator, nurse"
    ):
        our_settings.read_roles("SECOND_PROOF_ROLES")
    assert set(Role.values) == our_settings.ROLES  # written there too, for settings are read before models
    monkeypatch.setenv("SECOND_PROOF_ROLES", " nurse,consultant ")
    assert our_settings.read_roles("SECOND_PROOF_ROLES") == {"nurse", "consultant"}


# Passwords


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("length", "with_proof", "accepted"), [(14, False, False), (15, False, True), (7, True, False), (8, True, True)]
)
def test_fifteen_characters_alone_or_eight_beside_a_second_proof(fenwick, length, with_proof, accepted):
    # NIST SP 800-63B-4 (2025), 3.1.1.2.
    if with_proof:
        set_up(user=fenwick, salt=SALT, code=shown(NOW), at=NOW)
    new = "qzvkwmtrhpxbncd"[:length]
    said = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
    answer = client_of(fenwick).post(reverse("core:change_password"), said)
    assert (answer.status_code == 302) is accepted
    fenwick.refresh_from_db()
    assert fenwick.check_password(new) is accepted


@pytest.mark.django_db
def test_a_common_password_is_refused_and_it_is_said_why(fenwick, codes):
    said = {"old_password": PASSWORD, "new_password1": "password123", "new_password2": "password123"}
    page = client_of(fenwick).post(reverse("core:change_password"), said).content.decode()
    assert "too common" in page


@pytest.mark.django_db
def test_a_long_password_counts_whole_and_however_its_accents_are_typed(fenwick, client):
    # NIST SP 800-63B-4 (2025), 3.1.1.2: 64 and more, spaces, Unicode normalised, nothing cut off.
    phrase = "caf\u00e9 by the tide " * 15
    said = {"old_password": PASSWORD, "new_password1": phrase, "new_password2": phrase}
    assert len(phrase) == 255
    assert client_of(fenwick).post(reverse("core:change_password"), said).status_code == 302
    assert password_step(client, password=phrase[:-1]).status_code == 200
    decomposed = phrase.replace("\u00e9", "e\u0301")
    assert password_step(client, password=decomposed).status_code == 302
    longer = "x1" * 129
    said = {"old_password": phrase, "new_password1": longer, "new_password2": longer}
    refused = client_of(type(fenwick).objects.get(pk=fenwick.pk)).post(reverse("core:change_password"), said)
    assert "at most 256 are allowed" in refused.content.decode()


@pytest.mark.django_db
def test_a_short_password_left_alone_must_be_changed_before_anything_else(fenwick, codes, client):
    fenwick.set_password("qzvkwmtr")
    fenwick.save()
    refused = client_of(fenwick).post(reverse("core:second_proof_off"), {"password": "qzvkwmtr"})
    assert "only goes with a second proof" in refused.content.decode()
    call_command("reset_second_proof", "a.fenwick", "--reason", "telephone lost", stderr=io.StringIO())
    password_step(client, password="qzvkwmtr")
    assert client.get("/")["Location"] == reverse("core:change_password")
    new = "heron cove ember salt"
    client.post(
        reverse("core:change_password"), {"old_password": "qzvkwmtr", "new_password1": new, "new_password2": new}
    )
    assert client.get("/").status_code == 200


# The way back


@pytest.mark.django_db
def test_the_command_takes_it_away_with_a_reason_in_the_trail_and_ends_what_was_signed_in(fenwick, codes):
    client = client_of(fenwick)
    said = io.StringIO()
    call_command("reset_second_proof", "a.fenwick", "--reason", "telephone lost; known in person", stderr=said)
    assert said.getvalue().startswith("A. Fenwick signs in with the password alone until")
    entry = TrailEntry.objects.get(action="reset second proof")
    assert (entry.why, entry.row_key, entry.actor) == ("telephone lost; known in person", fenwick.pk, None)
    assert client.get("/").status_code == 302
    assert not RecoveryCode.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("name", "reason", "words"),
    [("nobody", "r", "Nobody signs in as"), ("a.fenwick", " ", "Say why"), ("a.fenwick", "r", "has no second proof")],
)
def test_the_command_refuses_what_it_cannot_do(fenwick, name, reason, words):
    with pytest.raises(CommandError, match=words):
        call_command("reset_second_proof", name, "--reason", reason)
    assert not TrailEntry.objects.exists()


@pytest.mark.django_db
def test_it_is_turned_off_and_codes_are_renewed_with_the_password_only(fenwick, codes):
    client = client_of(fenwick)
    for name in ("core:new_codes", "core:second_proof_off"):
        assert "The password is not this one" in client.post(reverse(name), {"password": "no"}).content.decode()
    assert (
        "shown now and never again" in client.post(reverse("core:new_codes"), {"password": PASSWORD}).content.decode()
    )
    assert client.post(reverse("core:second_proof_off"), {"password": PASSWORD}).status_code == 302
    fenwick.refresh_from_db()
    assert not fenwick.has_second_proof
    assert client.get("/").status_code == 200


@pytest.mark.django_db
def test_a_second_proof_costs_no_page_a_query(fenwick, codes, django_assert_num_queries, settings):
    settings.SECOND_PROOF_ROLES = frozenset({"nurse"})
    client = client_of(fenwick)
    client.get(reverse("core:own_account"))
    with django_assert_num_queries(4):  # session, user, site, what waits in the inbox
        client.get(reverse("core:own_account"))
