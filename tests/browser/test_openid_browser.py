"""Signing in with an account of a provider, the whole walk in a real browser."""

import re

import pytest
from playwright.sync_api import expect

from programme.core.models import TrailEntry
from programme.core.provider import Provider
from tests import factories, openid_provider
from tests.browsing import faults_at_every_width, follow
from tests.openid_provider import CLIENT_ID, CLIENT_SECRET


@pytest.fixture
def provider(settings):
    with openid_provider.served() as served:
        served.asks_on_a_page = True
        settings.OIDC = Provider(served.issuer, CLIENT_ID, CLIENT_SECRET)
        yield served


def test_an_account_is_linked_signs_in_and_signs_out_there_too(page, live_server, site, provider, console_errors):
    """The content policy lets no form lead to the provider, so every way there is a link: the console stays empty."""
    factories.make_user(role="nurse", site=site, username="a.fenwick", with_password=True)

    def it_is_me():
        expect(page.get_by_role("heading", name="Login")).to_be_visible()
        page.get_by_role("link", name="It is me").click()

    # With the password, and the account linked
    page.goto(f"{live_server.url}/account/")
    assert faults_at_every_width(page) == []
    page.get_by_label("Your name here").fill("a.fenwick")
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.keyboard.press("Enter")
    follow(page.get_by_role("link", name="Your hospital account"))
    assert faults_at_every_width(page) == []
    page.get_by_role("link", name="To your hospital account").click()
    it_is_me()
    expect(page.get_by_text("known to the provider as 8f1c-0042")).to_be_visible()
    assert faults_at_every_width(page) == []
    page.get_by_label("Your password").fill(factories.PASSWORD)
    page.get_by_role("button", name="Link it").click()
    expect(page.get_by_text("From now on you can also sign in with your hospital account.")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_url(re.compile(r"/sign-in/$"))

    # With the account, back to the page that was asked for
    page.goto(f"{live_server.url}/review/")
    page.get_by_role("link", name="Sign in with your hospital account").click()
    it_is_me()
    expect(page).to_have_url(f"{live_server.url}/review/")
    entry = TrailEntry.objects.filter(action="signed in").latest("pk")
    # The cookie by which the browser is known comes along from the other site: this is why it is Lax.
    assert entry.after["browser"] == "known"

    # Out, here and there
    page.goto(f"{live_server.url}/account/")
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_text("You are signed out of Ebbline.")).to_be_visible()
    assert faults_at_every_width(page) == []
    page.get_by_role("link", name="Sign out there too").click()
    expect(page).to_have_url(re.compile(r"/sign-in/$"))
    assert len(provider.seen["/end"]) == 1

    # Down
    provider.broken["/.well-known/openid-configuration"] = lambda: (503, {}, b"")
    page.get_by_role("link", name="Sign in with your hospital account").click()
    expect(page.get_by_role("alert")).to_contain_text("Your hospital account cannot be reached now.")
    assert faults_at_every_width(page) == []
    console_errors[:] = [error for error in console_errors if f"asked another address: {provider.issuer}/" not in error]


def test_an_administrator_enters_an_account(page_as, live_server, site, provider):
    moss = factories.make_user(role="nurse", site=site, username="r.moss", full_name="R. Moss")
    page = page_as(factories.make_user(role="administrator", site=site))
    page.goto(f"{live_server.url}/users/{moss.pk}/")
    assert faults_at_every_width(page) == []
    page.get_by_label("Hospital account, as the provider names it").fill("8f1c-0042")
    page.get_by_label("Why, and how you know whose it is").fill("shown on the badge")
    page.get_by_role("button", name="Save the account").click()
    expect(page.get_by_text("R. Moss: saved.")).to_be_visible()
    assert moss.outside_account.subject == "8f1c-0042"
