"""Hb in the unit that the site reads: one place decides, for pages, pictures and prints."""

from __future__ import annotations

import subprocess

import pytest

from programme.core import look
from tests import factories


@pytest.fixture(autouse=True)
def _as_stored():
    yield
    look.show_hb_in_g_dl(False)


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("Hb could fall to 74 g/L on the way, under 90 g/L.", "Hb could fall to 7.4 g/dL on the way, under 9.0 g/dL."),
        ("113, 112.5 g/L", "11.3, 11.25 g/dL"),
        ("106 to 118 g/L and 106–118 g/L", "10.6 to 11.8 g/dL and 10.6–11.8 g/dL"),
        ("ferritin 900 ug/L", "ferritin 900 ug/L"),
        ("6 units end at 14.1 %. Hb 92 g/L", "6 units end at 14.1 %. Hb 9.2 g/dL"),
        ("100 mg/L, and 5 g/Lx", "100 mg/L, and 5 g/Lx"),
    ],
)
def test_sentences_are_turned_only_where_they_speak_of_grams_a_litre(words, shown):
    assert look.hb_words(words) == words
    look.show_hb_in_g_dl(True)
    assert look.hb_words(words) == shown


def test_a_figure_keeps_what_it_shows():
    # 1 g/dL is 10 g/L, so one decimal more shows as much.
    assert (look.hb_shown(92.0), look.hb_unit(), look.hb_places(1)) == (92.0, "g/L", 1)
    look.show_hb_in_g_dl(True)
    assert (look.hb_shown(92.0), look.hb_unit(), look.hb_places(1)) == (9.2, "g/dL", 2)


def with_plan(site, ref="SM-001"):
    patient = factories.make_patient(ref, site=site)
    factories.make_exchange_session(patient)
    factories.make_goals(patient)
    factories.make_standing(patient, factories.make_fit_in_force(site))
    return patient


@pytest.fixture
def person(site, frozen_day):
    return with_plan(site)


def pages(client, patient):
    names = ("", "plan/", "records/")
    return {name: client.get(f"/people/{patient.patient_ref}/{name}").content.decode() for name in names}


@pytest.mark.django_db
def test_every_page_of_a_site_that_reads_g_dl_says_so(nurse_client, person, site):
    before = pages(nurse_client, person)
    assert all("g/L" in text for text in before.values())
    assert not any("g/dL" in text for text in before.values())
    site.shows_g_dl = True
    site.save(update_fields=["shows_g_dl"])
    after = pages(nurse_client, person)
    assert all("g/dL" in text for text in after.values())
    assert not any(" g/L" in text or ">g/L" in text for text in after.values())
    assert "Hb ceiling 11" in after[""]
    assert "Hb ceiling 110" not in after[""]


@pytest.mark.django_db
def test_the_next_person_at_another_site_reads_g_l_again(nurse_client, elsewhere_client, person, site, other_site):
    site.shows_g_dl = True
    site.save(update_fields=["shows_g_dl"])
    assert "g/dL" in pages(nurse_client, person)["plan/"]
    there = with_plan(other_site, "SM-900")
    assert "g/dL" not in pages(elsewhere_client, there)["plan/"]


@pytest.mark.django_db
def test_the_print_reads_g_dl(nurse_client, person, site, tmp_path):
    site.shows_g_dl = True
    site.save(update_fields=["shows_g_dl"])
    paper = tmp_path / "plan.pdf"
    paper.write_bytes(nurse_client.get(f"/people/{person.patient_ref}/plan.pdf").content)
    text = subprocess.run(["pdftotext", "-layout", paper, "-"], check=True, capture_output=True, text=True).stdout
    assert "g/dL" in text
    assert " g/L" not in text
