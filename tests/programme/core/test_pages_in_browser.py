"""Sign-in, the own account and the pages for what went wrong, in a real browser."""

import base64
import re

import pytest
from django_otp.oath import totp
from playwright.sync_api import expect

from tests import factories
from tests.browsing import WIDTHS, faults_of, pixels_beyond_the_window

PATHS = ("/account/", "/account/password/", "/account/sign-ins/", "/account/what-it-is/")


@pytest.fixture
def nurse_with_password(site):
    return factories.make_user(role="nurse", site=site, with_password=True)


def test_sign_in_by_keyboard_alone(page, live_server, nurse_with_password):
    page.goto(f"{live_server.url}/account/")
    page.get_by_label("Name").focus()
    page.keyboard.type(nurse_with_password.username)
    page.keyboard.press("Tab")
    page.keyboard.type(factories.PASSWORD)
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"/account/$"))


def test_a_wrong_password_keeps_the_name_and_says_so(page, live_server, nurse_with_password):
    page.goto(f"{live_server.url}/sign-in/")
    page.get_by_label("Name").fill(nurse_with_password.username)
    page.get_by_label("Password").fill("not this one")
    page.keyboard.press("Enter")
    expect(page.get_by_text("do not fit together")).to_be_visible()
    expect(page.get_by_label("Name")).to_have_value(nurse_with_password.username)
    expect(page.get_by_label("Password")).to_have_value("")


@pytest.mark.parametrize("path", PATHS)
def test_pages_of_the_account_have_no_fault_and_fit(page_as, live_server, nurse, path):
    page = page_as(nurse)
    page.goto(live_server.url + path)
    assert faults_of(page) == []
    assert [pixels_beyond_the_window(page, width) for width in WIDTHS] == [0, 0, 0]


def test_the_sign_in_page_has_no_fault_and_fits(page, live_server):
    page.goto(f"{live_server.url}/sign-in/")
    assert faults_of(page) == []
    assert [pixels_beyond_the_window(page, width) for width in WIDTHS] == [0, 0, 0]


def test_the_page_for_what_is_not_found_has_no_fault(page_as, live_server, nurse, console_errors):
    page = page_as(nurse)
    page.goto(f"{live_server.url}/people/NOBODY/")
    assert faults_of(page) == []
    assert [error for error in console_errors if "404" not in error] == []
    console_errors.clear()


def test_a_password_is_changed_and_the_old_one_no_longer_opens(page, live_server, nurse_with_password, page_as, client):
    page_as(nurse_with_password)
    page.goto(f"{live_server.url}/account/password/")
    new = "tideline-copper-orchard-nine"
    fields = page.locator("main input[type=password]")
    for number, text in enumerate((factories.PASSWORD, new, new)):
        fields.nth(number).fill(text)
    page.keyboard.press("Enter")
    expect(page.get_by_text("Your password is changed.")).to_be_visible()
    assert not client.login(username=nurse_with_password.username, password=factories.PASSWORD)
    assert client.login(username=nurse_with_password.username, password=new)


def has_no_fault_and_fits(page):
    return faults_of(page) == [] and [pixels_beyond_the_window(page, width) for width in WIDTHS] == [0, 0, 0]


def test_a_second_proof_is_set_up_and_the_next_sign_in_asks_for_it(page, live_server, nurse_with_password, page_as):
    page_as(nurse_with_password)
    page.goto(f"{live_server.url}/account/second-proof/")
    assert has_no_fault_and_fits(page)
    assert page.get_by_alt_text("Square picture").evaluate("picture => picture.complete && picture.naturalWidth") > 100
    secret = base64.b32decode(page.locator(".code").inner_text().replace(" ", ""))
    page.get_by_label("Your password").fill(factories.PASSWORD)
    page.get_by_label("Six digits").fill(f"{totp(secret):06d}")
    page.keyboard.press("Enter")
    expect(page.get_by_text("The second proof is on.")).to_be_visible()
    assert has_no_fault_and_fits(page)
    codes = page.locator(".codes .code").all_inner_texts()
    page.get_by_role("link", name="I have kept them").click()
    page.get_by_role("link", name="Second proof").click()
    expect(page.get_by_text("10 of your recovery codes are left")).to_be_visible()
    assert has_no_fault_and_fits(page)
    page.goto(f"{live_server.url}/account/")
    page.get_by_role("button", name="Sign out").click()
    page.goto(f"{live_server.url}/account/")
    page.get_by_label("Name").fill(nurse_with_password.username)
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_label("Six digits from your telephone")).to_be_focused()
    assert has_no_fault_and_fits(page)
    page.keyboard.type(codes[0])
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"/account/$"))


def test_faults_and_overflow_would_be_found(page):
    """The two checks above can fail."""
    page.set_content('<main><h1>A</h1><img src="data:,"><svg width="2000" height="9"></svg></main>')
    assert any(fault.startswith("image-alt: ") for fault in faults_of(page))
    assert pixels_beyond_the_window(page, 390) > 1000


@pytest.mark.parametrize("width", [1440, 1024, 390])
def test_the_way_to_sign_out_is_there_at_every_width(page_as, live_server, nurse, width):
    page = page_as(nurse)
    page.set_viewport_size({"width": width, "height": 768})
    page.goto(live_server.url + "/")
    page.locator("a[href='/account/']:visible").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_url(re.compile(r"/sign-in/"))
