"""Nightly backups: when they are due, which old ones go, and who is told that one did not come."""

from datetime import UTC, timedelta
from pathlib import Path

import pytest
from django.db import transaction

from programme.celery import schedule
from programme.core import backups, trail
from tests import factories
from tests.conftest import client_of
from tests.factories import NOW

SITE_PAGES = ("/", "/settings/")


@pytest.fixture
def configured(settings):
    settings.BACKUP_FOLDER, settings.BACKUP_KEY_FILE = Path("/kept"), Path("/key")


def note(site, *, hours_ago):
    with transaction.atomic():
        said = trail.Change(site.pk, None, backups.BACKED_UP, "backup", after={"file": "one", "bytes": 1})
        trail.write([said], actor=None, at=NOW - timedelta(hours=hours_ago))


def test_a_backup_is_made_each_night_only_where_it_was_said_where_to():
    assert "nightly-backup" not in schedule(backed_up=False)
    nightly = schedule(backed_up=True)["nightly-backup"]
    assert nightly["task"] == "back_up"
    assert (nightly["schedule"].hour, nightly["schedule"].minute) == ({2}, {0})


def test_only_backups_older_than_the_days_go_and_never_the_newest_three(tmp_path):
    names = [f"ebbline-{NOW - timedelta(days=days):%Y%m%d-%H%M%S}.backup.age" for days in (40, 31, 29, 3, 2, 1)]
    for name in (*names, "ebbline-yesterday.backup.age", "ebbline-20200101-000000.backup.age.part"):
        (tmp_path / name).write_text("")
    gone = backups.delete_older(folder=tmp_path, days=30, at=NOW)
    assert [path.name for path in gone] == names[:2]
    assert backups.delete_older(folder=tmp_path, days=30, at=NOW + timedelta(days=3650)) == [tmp_path / names[2]]
    assert len(list(tmp_path.iterdir())) == 3 + 2


def test_where_none_are_expected_nothing_is_said(nurse_client, site, frozen_day):
    assert backups.last_backup(NOW, site=site) is None
    for page in SITE_PAGES:
        assert "copied for safety" not in nurse_client.get(page).getvalue().decode()


@pytest.mark.parametrize(("hours_ago", "is_old"), [(1, False), (36, False), (36.1, True), (200, True)])
def test_a_backup_is_old_after_its_hours(site, other_site, configured, hours_ago, is_old):
    note(site, hours_ago=300)
    note(site, hours_ago=hours_ago)
    at = NOW - timedelta(hours=hours_ago)
    assert backups.last_backup(NOW, site=site) == backups.LastBackup(at, is_old, 36)
    assert backups.last_backup(NOW) == backups.LastBackup(at, is_old, 36)
    assert backups.last_backup(NOW, site=other_site) == backups.LastBackup(None, True, 36)


def test_the_list_warns_and_is_quiet_while_all_is_well(nurse_client, site, configured, frozen_day):
    said = [nurse_client.get(page).getvalue().decode() for page in SITE_PAGES]
    assert all("never copied for safety yet. Tell whoever runs the service." in page for page in said)
    note(site, hours_ago=50)
    said = [nurse_client.get(page).getvalue().decode() for page in SITE_PAGES]
    when = f"{(NOW - timedelta(hours=50)).astimezone(UTC):%-d %b}"
    assert all("more than 36 hours ago. Tell whoever runs" in page and when in page for page in said)
    note(site, hours_ago=5)
    listed, settings_page = (nurse_client.get(page).getvalue().decode() for page in SITE_PAGES)
    assert "copied for safety" not in listed
    assert "The records were last copied for safety on" in settings_page
    assert "Tell whoever" not in settings_page


def test_being_told_costs_one_query(nurse_client, site, configured, django_assert_num_queries):
    for _ in range(3):
        note(site, hours_ago=1)
    with django_assert_num_queries(6):  # the settings' five and the newest of the trail
        nurse_client.get("/settings/")


def test_an_administrator_is_told_on_the_page_of_users(site, configured, frozen_day):
    client = client_of(factories.make_user(role="administrator", site=site))
    assert "never copied for safety yet" in client.get("/users/").content.decode()
    note(site, hours_ago=5)
    assert "The records were last copied for safety on" in client.get("/users/").content.decode()
