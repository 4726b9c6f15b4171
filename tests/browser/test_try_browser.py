"""Trying one session in a real browser: everything follows the typing, and nothing changes under the hand."""

import re

import pytest
from playwright.sync_api import expect

from sessions.numeric.exchange import Start, Step, run_steps
from tests.browsing import faults_at_every_width
from tests.factories import make_site, make_user

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("frozen_day")]
ADDRESS = (
    "/try/?sex=F&height_cm=165&weight_kg=60&hb_g_l=85&hbs_pct=45&blood_volume_ml=4200&s1-fluid=saline&s1-in_ml=375"
    "&s1-out_ml=375&s2-fluid=red_cells&s2-in_ml=270&s2-out_ml=330&s2-cells_hb_g_l=190"
)


@pytest.fixture
def nurse(transactional_db):
    return make_user(role="nurse", site=make_site(name="Saltmarsh Day Unit"))


def hbs_after(first_in, first_out):
    return run_steps(Start(4200, 85, 45), [Step("saline", first_in, first_out), Step("red_cells", 270, 330, 190)])


def test_typing_updates_every_figure_and_keeps_the_hand_where_it_is(page_as, nurse, live_server):
    page = page_as(nurse)
    page.goto(live_server.url + ADDRESS)
    box = page.get_by_label("in, mL, step 1")
    box.press("End")
    box.press("Backspace")
    box.press("Backspace")
    box.press_sequentially("00")
    outcome = hbs_after(300, 375)
    expect(page.locator("#s1-hb")).to_have_text(f"{outcome.steps[0].hb_g_l:.1f}")
    expect(page.locator("#try-lede")).to_contain_text(f"to {outcome.hbs_post_pct:.1f} %")
    expect(page.locator(".re")).to_contain_text(f"{outcome.hb_settled_g_l:.1f}")
    expect(box).to_be_focused()
    expect(box).to_have_value("300")
    expect(page).to_have_url(re.compile("s1-in_ml=300"))


def test_haemoglobin_in_g_dl_is_answered_as_it_is_typed(page_as, nurse, live_server):
    page = page_as(nurse)
    page.goto(live_server.url + ADDRESS)
    page.get_by_label("Hb before").fill("8.4")
    expect(page.get_by_text("read as 84 g/L")).to_be_visible()
    expect(page.locator("#id_hb_g_l_suf")).to_have_text("g/dL")


def test_a_step_is_moved_by_keyboard_said_and_put_back(page_as, nurse, live_server):
    page = page_as(nurse)
    page.goto(live_server.url + ADDRESS)
    page.get_by_role("button", name="move step 2 up").press("Enter")
    back = page.get_by_role("button", name="put it back")
    expect(back).to_be_focused()
    expect(page.get_by_label("in, mL, step 1")).to_have_value("270")
    expect(page.locator("#live")).to_have_text("Step 2 was just moved up")
    back.press("Enter")
    expect(page.get_by_label("in, mL, step 1")).to_have_value("375")


def test_enter_in_a_field_works_the_session_out_and_moves_nothing(page_as, nurse, live_server):
    page = page_as(nurse)
    page.goto(live_server.url + ADDRESS)
    page.get_by_label("out, mL, step 2").fill("270")
    page.get_by_label("out, mL, step 2").press("Enter")
    outcome = run_steps(Start(4200, 85, 45), [Step("saline", 375, 375), Step("red_cells", 270, 270, 190)])
    expect(page.locator("#try-lede")).to_contain_text(f"to {outcome.hbs_post_pct:.1f} %")
    expect(page.get_by_label("in, mL, step 1")).to_have_value("375")


def test_the_hb_of_the_cells_shows_for_red_cells_only(page_as, nurse, live_server):
    page = page_as(nurse)
    page.goto(live_server.url + ADDRESS)
    expect(page.get_by_label("Hb of the cells, g/L, step 1")).to_be_hidden()
    page.get_by_label("fluid of step 1").select_option("red_cells")
    expect(page.get_by_label("Hb of the cells, g/L, step 1")).to_be_visible()


def test_page_holds_at_every_width_and_axe_finds_nothing(page_as, nurse, live_server):
    page = page_as(nurse)
    for address in (ADDRESS, "/try/", f"{ADDRESS}&do=up-2"):
        page.goto(live_server.url + address)
        assert faults_at_every_width(page) == []


def test_everything_works_without_script(browser, nurse, live_server, client):
    client.force_login(nurse)
    context = browser.new_context(java_script_enabled=False)
    cookie = client.cookies["sessionid"]
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    page = context.new_page()
    page.goto(live_server.url + ADDRESS)
    page.get_by_label("in, mL, step 1").fill("300")
    page.get_by_role("button", name="Work it out").click()
    outcome = hbs_after(300, 375)
    expect(page.locator("#try-lede")).to_contain_text(f"to {outcome.hbs_post_pct:.1f} %")
    page.get_by_role("button", name="Add a unit").click()
    expect(page.get_by_label("in, mL, step 3")).to_have_value("258")
    context.close()
