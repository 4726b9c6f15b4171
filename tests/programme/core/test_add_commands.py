"""Adding sites and users from the command line."""

import io
import shlex
from datetime import date
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from programme.booking.queries.free import bank_holidays
from programme.core.management.commands.add_site import Command
from programme.core.models import Site, TrailEntry, User
from programme.core.services import add_site
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def add_unit() -> Site:
    call_command("add_site", "saltmarsh", "Saltmarsh Day Unit", "--region", "ENG", stderr=io.StringIO())
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


def examples() -> list[str]:
    """What the command itself and the README say to type."""
    readme = (Path(__file__).parents[3] / "README.md").read_text()
    lines = [*readme.splitlines(), Command.help]
    return [line.split("add_site", 1)[1] for line in lines if "add_site" in line and "--country" in line]


def test_the_examples_of_the_command_and_of_the_readme_work():
    found = examples()
    assert len(found) >= 2
    for number, example in enumerate(found):
        _, *typed = shlex.split(example)
        call_command("add_site", f"unit-{number}", *typed, stderr=io.StringIO())


@pytest.mark.parametrize(
    ("country", "region", "words"),
    [
        ("XX", "", "country: bank holidays of 'XX' are not known; allowed are the ISO 3166 codes AD, AE, .*GB"),
        ("GB", "", "region: bank holidays of GB differ by region; name one of ENG, NIR, SCT, WLS"),
        ("GB", "QQ", "region: GB has no region 'QQ'; allowed is ENG, NIR, SCT, WLS"),
        ("IE", "ENG", "region: IE has no region 'ENG'; allowed is none: leave it empty"),
    ],
)
def test_a_place_whose_bank_holidays_are_not_known_is_refused_with_what_is_allowed(country, region, words):
    with pytest.raises(CommandError, match=words):
        call_command("add_site", "saltmarsh", "Saltmarsh", "--country", country, "--region", region)
    assert not Site.objects.exists()
    assert not TrailEntry.objects.exists()


@pytest.mark.parametrize(("country", "region"), [("IE", ""), ("GB", "SCT")])
def test_a_unit_has_the_bank_holidays_of_its_region(country, region):
    """2 January 2026 and Easter Monday, 6 April 2026: gov.uk/bank-holidays has the first for Scotland alone (from
    memory); Ireland has the second, and has no regions."""
    site = add_site(code="x", name="X", at=NOW, country=country, region=region)
    found = bank_holidays(site, date(2026, 1, 1), date(2026, 12, 31))
    assert (date(2026, 1, 2) in found, date(2026, 4, 6) in found) == ((region == "SCT"), (country == "IE"))


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
