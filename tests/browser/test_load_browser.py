"""Bringing past records in, in a real browser and by keyboard alone."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from programme.core.models import User
from sessions.models import ExchangeSession
from tests.browsing import WIDTHS, faults_of, pixels_beyond_the_window

EXAMPLE = Path(__file__).parents[2] / "fixtures" / "history_example.csv"

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def choose(
    page_as: Callable[[User], Page], nurse: User, live_server: Any, tmp_path: Path, settings: Any
) -> Callable[..., Page]:
    """Choose the example with some cells of its first row changed, and look at it."""
    settings.VAR_DIR = tmp_path
    page = page_as(nurse)

    def choose_example(**cells: str) -> Page:
        rows = list(csv.DictReader(EXAMPLE.read_text().splitlines()))
        rows[0] |= cells
        text = io.StringIO()
        writer = csv.DictWriter(text, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
        file = tmp_path / "sessions-to-may.csv"
        file.write_text(text.getvalue())
        page.goto(f"{live_server.url}/bring-in/")
        page.set_input_files("#file", str(file))
        page.get_by_role("button", name="Look at it").press("Enter")
        expect(page.get_by_text("sessions-to-may.csv, 13 rows")).to_be_visible()
        return page

    return choose_example


def test_each_step_is_accessible_and_as_wide_as_its_window(
    choose: Callable[..., Page], page: Page, live_server: Any
) -> None:
    with_faults = choose(hb_pre_g_l="9.2", weight_kg="nan")
    for width in WIDTHS:
        assert pixels_beyond_the_window(with_faults, width) <= 0
    assert faults_of(with_faults) == []
    expect(with_faults.get_by_role("button", name="Bring in")).to_be_disabled()
    with_questions = choose(hbs_pre_pct="17.2", hbs_post_pct="38.4", remarks="x")
    for width in WIDTHS:
        assert pixels_beyond_the_window(with_questions, width) <= 0
    assert faults_of(with_questions) == []
    page.goto(f"{live_server.url}/bring-in/")
    for width in WIDTHS:
        assert pixels_beyond_the_window(page, width) <= 0
    assert faults_of(page) == []


def test_a_question_is_answered_and_the_file_brought_in_by_keyboard(choose: Callable[..., Page]) -> None:
    page = choose(hbs_pre_pct="17.2", hbs_post_pct="38.4")
    go = page.get_by_role("button", name="Bring in 13 sessions").last
    go.press("Enter")
    assert ExchangeSession.objects.count() == 0  # the browser asks for the answer first
    answer = page.get_by_role("radio", name="As it stands")
    answer.press("Space")
    expect(answer).to_be_checked()
    go.press("Enter")
    expect(page.get_by_text("Brought in 13 sessions with 51 results; 3 new people.")).to_be_visible()
    assert ExchangeSession.objects.count() == 13
