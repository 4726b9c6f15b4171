"""A consultant's clinic: reading the course, one decision with its effect seen first, a note, the summary printed."""

import subprocess

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from patients.models import CourseNote, Goals
from programme.planning import services
from tests.browsing import WIDTHS, faults_at_every_width
from tests.factories import (
    NOW,
    make_antibody,
    make_check_done,
    make_course,
    make_facts,
    make_needs,
    make_patient,
    make_result,
    make_site,
    make_user,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]
WOBBLE = (0.0, 1.2, -0.8, 0.5, -1.1, 0.9, -0.4, 0.3)


@pytest.fixture
def consultant(transactional_db):
    return make_user(role="consultant", site=make_site(name="Saltmarsh Day Unit"))


@pytest.fixture
def there(consultant, live_server):
    """A person planned by the programme itself, beside some others."""
    for n in range(5):
        patient = make_patient(f"R{n}", site=consultant.site, family_name="Larkspur")
        make_needs(patient)
        make_antibody(patient, "anti-E", found_year=2014)
        for k, done in enumerate(make_course(patient, sessions=9)):
            make_facts(
                done, hbs_before_pct=28.0 + WOBBLE[(k + n) % 8], hbs_after_pct=13.5 + WOBBLE[(k + 3 * n) % 8] / 2,
                hb_before_g_l=92 + 2 * WOBBLE[(k + 5 * n) % 8], hb_after_g_l=103 + 2 * WOBBLE[(k + 2 * n) % 8],
                share_of_ideal=0.94, share_of_ideal_sd=0.1, net_iron_mg=160.0,
            )  # fmt: skip
        make_check_done(patient, by=consultant)
        make_result(patient, analyte="2276-4", value=1240, on=NOW.date())
    services.renew(list(consultant.site.patients.values_list("pk", flat=True)), NOW)
    return live_server.url + reverse("worklist:course", args=["R0"])


def test_a_clinic_with_one_decision_and_its_summary_printed(page_as, consultant, there):
    page = page_as(consultant)
    page.goto(there)
    expect(page.get_by_role("heading", name="Twelve months", exact=True)).to_be_visible()
    expect(page.get_by_role("row", name="Units in 12 months")).to_contain_text("in 9 sessions")

    page.get_by_role("link", name="Note something").click()
    page.locator("#id_words").fill("tired in the last week")
    page.get_by_role("button", name="Note it").click()
    expect(page.locator(".notes")).to_contain_text("tired in the last week")

    page.get_by_role("link", name="Decide", exact=True).click()
    page.get_by_label("Interval").fill("21")
    page.get_by_label("End target").fill("12")
    page.get_by_label("Look at it again").fill("1 Sep 2026")
    page.get_by_label("Why").fill("pace up by a quarter")
    page.get_by_role("button", name="See what it would do").click()
    expect(page.get_by_role("heading", name="What it would do")).to_be_visible()
    expect(page.get_by_role("row", name="Visits a year")).to_be_visible()
    assert Goals.objects.filter(patient__patient_ref="R0", reason="pace up by a quarter").count() == 0
    page.get_by_role("button", name="Save the decision").click()
    expect(page.get_by_text("Decided. What was suggested before is made again.")).to_be_visible()
    expect(page.get_by_role("row", name="pace up by a quarter")).to_be_visible()
    expect(page.get_by_text("The figures below were made on", exact=False)).to_have_count(0)  # made again at once
    decided = Goals.objects.get(reason="pace up by a quarter")
    assert decided.foreseen["then"]["visits"] > 0
    assert CourseNote.objects.get().by == consultant

    printed = page.context.request.get(there + "summary.pdf")
    done = subprocess.run(["pdftotext", "-", "-"], input=printed.body(), capture_output=True, check=True)
    text = " ".join(done.stdout.decode().split())
    assert done.stdout.decode().count("\f") == 1
    for words in ("pace up by a quarter", "Larkspur", "tired in the last week", "CAUTION"):
        assert words in text


def test_its_pages_are_accessible_and_fit_the_screen(page_as, consultant, there):
    page = page_as(consultant)
    for name in ("", "compare/", "decide/", "note/", "check/", "trail/"):
        page.goto(there + name)
        assert faults_at_every_width(page, WIDTHS) == []
