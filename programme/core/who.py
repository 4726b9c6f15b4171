"""Who asks: the browser's session, the user and their unit, looked up at every request by prepared statements."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.contrib.sessions.backends.db import SessionStore as Stored
from django.contrib.sessions.models import Session
from django.utils import timezone

from programme.core.models import Site, User
from programme.core.prepared import Prepared

SESSIONS = Prepared(lambda key, at: Session.objects.filter(session_key=key, expire_date__gt=at))
USERS = Prepared(lambda key: User.objects.filter(pk=key))
SITES = Prepared(lambda key: Site.objects.filter(pk=key))


class SessionStore(Stored):
    """What is kept of a browser, in the framework's own table."""

    def load(self) -> dict[str, Any]:
        """Return what is kept; nothing, and no key, where there is none or its time is over."""
        found = SESSIONS.first(key=self.session_key, at=timezone.now())
        if found is None:
            self._session_key = None
            return {}
        kept: dict[str, Any] = self.decode(found.session_data)
        return kept


class Users(ModelBackend):
    """The framework's own users and passwords."""

    def get_user(self, user_id: int) -> User | None:
        """Return who is signed in, with their unit; None where they no longer may."""
        user = USERS.first(key=user_id)
        if user is None or not self.user_can_authenticate(user):
            return None
        site = SITES.first(key=user.site_id)
        assert site is not None  # the database holds that a user's unit is there
        user.site = site
        return user
