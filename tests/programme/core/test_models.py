"""Rows that people edit, users, sites and their settings."""

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from programme.core.models import EditedMeanwhile, Site, SiteSetting, User
from programme.core.numeric.setting_table import DEFAULTS
from programme.core.settings_of_site import site_settings
from tests import factories

pytestmark = pytest.mark.django_db


def test_the_second_of_two_people_who_edit_is_refused(site):
    hers, his = Site.objects.get(), Site.objects.get()
    hers.name, his.name = "Her name", "His name"
    hers.save_changes(["name"])
    with pytest.raises(EditedMeanwhile, match="changed by someone else after you opened it"):
        his.save_changes(["name"])
    assert Site.objects.get().name == "Her name"


def test_a_saved_row_can_be_saved_again_with_its_new_version(site):
    row = Site.objects.get()
    for name in ("One", "Two"):
        row.name = name
        row.save_changes(["name"])
    stored = Site.objects.get()
    assert (stored.name, stored.version, row.version) == ("Two", 3, 3)


def test_only_the_named_fields_are_written(site):
    row = Site.objects.get()
    row.name, row.country = "New", "FR"
    row.save_changes(["name"])
    assert (Site.objects.get().name, Site.objects.get().country) == ("New", "GB")


def test_a_user_has_a_known_role(site):
    with pytest.raises(IntegrityError, match="user_role_known"), transaction.atomic():
        factories.make_user(role="director", site=site)
    assert User.objects.count() == 0


def test_create_user_checks_and_hashes(site):
    user = User.objects.create_user("n.one", factories.PASSWORD, full_name="N. One", role="nurse", site=site)
    assert user.check_password(factories.PASSWORD)
    assert factories.PASSWORD not in user.password
    with pytest.raises(ValidationError, match="is not a valid choice"):
        User.objects.create_user("n.two", factories.PASSWORD, full_name="N. Two", role="x", site=site)


def test_a_time_zone_that_does_not_exist_is_refused(site):
    site.time_zone = "Europe/Saltmarsh"
    with pytest.raises(ValidationError, match="is not a time zone; write one such as Europe/London"):
        site.full_clean()


def test_settings_of_a_site_are_the_defaults_until_decided(site, other_site):
    assert site_settings(site, factories.NOW) == DEFAULTS
    factories.make_site_setting(site=site, name="unit_volume_ml", value=280)
    assert site_settings(site, factories.NOW)["unit_volume_ml"] == 280
    assert site_settings(other_site, factories.NOW) == DEFAULTS


def test_the_newest_decision_that_has_begun_counts(site):
    for day, value in ((1, 270), (20, 290), (10, 280)):
        factories.make_site_setting(
            site=site, name="unit_volume_ml", value=value, since=factories.NOW.replace(month=5, day=day)
        )
    assert site_settings(site, factories.NOW.replace(month=5, day=15))["unit_volume_ml"] == 280
    assert site_settings(site, factories.NOW)["unit_volume_ml"] == 290


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("unit_volume_l", 1, "is not a setting; known are"),
        ("unit_volume_ml", 1000, "unit_volume_ml: 1000 is not allowed; allowed is 150 to 400 mL"),
        ("unit_volume_ml", float("nan"), "unit_volume_ml: nan is not allowed"),
    ],
)
def test_a_setting_outside_its_range_is_refused(site, name, value, message):
    row = SiteSetting(site=site, name=name, value=value, since=factories.NOW, reason="test")
    with pytest.raises(ValidationError, match=message):
        row.full_clean()
