"""Adding sites and users from the command line."""

import io

import pytest
from django.core.management import CommandError, call_command

from programme.core.models import Site, TrailEntry, User

pytestmark = pytest.mark.django_db


def add_unit() -> Site:
    call_command("add_site", "saltmarsh", "Saltmarsh Day Unit", stderr=io.StringIO())
    return Site.objects.get(code="saltmarsh")


def test_a_site_is_added_and_the_trail_says_so():
    site = add_unit()
    assert site.time_zone == "Europe/London"
    entry = TrailEntry.objects.get()
    assert (entry.action, entry.row_key) == ("added site", site.pk)


def test_a_site_with_an_impossible_time_zone_is_refused():
    with pytest.raises(CommandError, match="time_zone: 'Saltmarsh' is not a time zone"):
        call_command("add_site", "saltmarsh", "Saltmarsh", "--time-zone", "Saltmarsh")
    assert not Site.objects.exists()


def test_a_user_is_added_with_the_password_from_standard_input(monkeypatch):
    add_unit()
    monkeypatch.setattr("sys.stdin", io.StringIO("three plain words here\n"))
    call_command("add_user", "a.fenwick", "A. Fenwick", "--role", "nurse", "--site", "saltmarsh", stderr=io.StringIO())
    user = User.objects.get(username="a.fenwick")
    assert user.check_password("three plain words here")
    assert "three plain" not in str(TrailEntry.objects.values_list("after", flat=True))


@pytest.mark.parametrize(("length", "accepted"), [(14, False), (15, True)])
def test_a_password_needs_fifteen_characters(monkeypatch, length, accepted):
    # NIST SP 800-63B-4 (2025), 3.1.1.2: 15 where the password is the only factor.
    add_unit()
    monkeypatch.setattr("sys.stdin", io.StringIO("qzvkwmtrhpxbncd"[:length] + "\n"))
    arguments = ("add_user", "a.fenwick", "A. Fenwick", "--role", "nurse", "--site", "saltmarsh")
    if accepted:
        call_command(*arguments, stderr=io.StringIO())
    else:
        with pytest.raises(CommandError, match=r"password: .*15 characters"):
            call_command(*arguments)
    assert User.objects.exists() is accepted


def test_a_passphrase_of_64_characters_with_spaces_and_accents_is_accepted(monkeypatch):
    # NIST SP 800-63B-4 (2025), 3.1.1.2: at least 64 characters, spaces and Unicode allowed.
    add_unit()
    phrase = ("une école près de la mer " * 3)[:63] + "é"
    monkeypatch.setattr("sys.stdin", io.StringIO(phrase + "\n"))
    call_command("add_user", "a.fenwick", "A. Fenwick", "--role", "nurse", "--site", "saltmarsh", stderr=io.StringIO())
    assert User.objects.get().check_password(phrase)


def test_an_unknown_site_is_named_with_the_known_ones():
    add_unit()
    with pytest.raises(CommandError, match="no site 'elsewhere'; sites are: saltmarsh"):
        call_command("add_user", "x", "X", "--role", "nurse", "--site", "elsewhere")
