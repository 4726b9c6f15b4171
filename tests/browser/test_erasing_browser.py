"""Erasing a record as two people do it at one browser after the other: by keyboard and label, at every width."""

from datetime import date

import pytest
from playwright.sync_api import expect

from patients.models import Patient
from programme.core.models import Erasure
from tests.browsing import faults_at_every_width, follow
from tests.factories import PASSWORD, make_patient, make_site, make_site_setting, make_user


@pytest.fixture
def site(transactional_db):
    site = make_site(name="Saltmarsh Day Unit")
    make_site_setting(site=site, name="erasure_wait_days", value=0, since="2020-01-01T00:00:00Z")
    long_ago = {"standing": "left", "standing_since": date(1990, 6, 4), "birth_date": date(1950, 1, 2)}
    make_patient("SM-901", site=site, family_name="Larkspur", with_measure=False, **long_ago)
    return site


def sign(page, button, **typed):
    for label, words in typed.items():
        page.get_by_label(label.replace("_", " ")).fill(words)
    page.get_by_label("Your own password or PIN").fill(PASSWORD)
    follow(page.get_by_role("button", name=button))


def test_two_people_erase_a_record_and_every_page_of_it_can_be_read(page_as, site, live_server):
    consultant = make_user(site=site, role="consultant", full_name="I. Calloway", with_password=True)
    administrator = make_user(site=site, role="administrator", full_name="D. Hallam", with_password=True)
    page = page_as(consultant)
    page.goto(f"{live_server.url}/settings/kept-records/")
    assert faults_at_every_width(page) == []
    follow(page.get_by_role("link", name="Ask to erase Larkspur"))
    assert faults_at_every_width(page) == []
    page.get_by_label("Ground").select_option(label="the time for which the record is kept is over")
    sign(page, "Ask for it", In_words="list of May", typed_again="SM-902")
    expect(page.locator("#faults")).to_contain_text("This is not the reference of this person")
    assert faults_at_every_width(page, (1440, 320)) == []
    sign(page, "Ask for it", typed_again="SM-901")
    expect(page.get_by_text("Asked. Nothing is erased yet.")).to_be_visible()
    expect(page.get_by_role("link", name="Agree")).to_have_count(0)
    page = page_as(administrator)
    page.goto(f"{live_server.url}/erasures/")
    assert faults_at_every_width(page) == []
    follow(page.get_by_role("link", name=Erasure.objects.get().number))
    assert faults_at_every_width(page) == []
    assert "Larkspur" not in page.content()
    follow(page.get_by_role("link", name="Agree"))
    sign(page, "Agree", typed_again="SM-901")
    follow(page.get_by_role("link", name="Erase now"))
    assert faults_at_every_width(page, (1440, 320)) == []
    sign(page, "Erase for good")
    expect(page.get_by_role("heading", name="What went")).to_be_visible()
    assert faults_at_every_width(page) == []
    assert not Patient.objects.exists()
