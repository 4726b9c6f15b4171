"""Fixtures of sign-in by a provider: one of the test's own, and somebody whose account with it is linked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from programme.core.models import OutsideAccount, Site, User
from programme.core.provider import Provider
from tests.factories import NOW, make_user
from tests.openid_provider import CLIENT_ID, CLIENT_SECRET, TestProvider, served


@pytest.fixture
def provider() -> Iterator[TestProvider]:
    with served() as provider:
        yield provider


@pytest.fixture
def named(provider: TestProvider, settings: Any) -> Provider:
    """The provider is the one that the settings name."""
    settings.OIDC = Provider(provider.issuer, CLIENT_ID, CLIENT_SECRET)
    return settings.OIDC


@pytest.fixture
def linked(site: Site, provider: TestProvider) -> User:
    """A nurse with a password, whom the account of the provider signs in."""
    user = make_user(site=site, username="a.fenwick", full_name="A. Fenwick", with_password=True)
    OutsideAccount.objects.create(user=user, issuer=provider.issuer, subject=provider.subject, since=NOW)
    return user
