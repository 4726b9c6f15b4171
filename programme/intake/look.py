"""The number of what waits in the inbox, for the masthead of every page."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

from programme.core import access
from programme.core.models import User
from programme.intake.models import InboxItem


def masthead(request: HttpRequest) -> dict[str, Any]:
    """Return how many items wait; asked only by a page that shows the masthead."""
    user = getattr(request, "user", None)
    if not isinstance(user, User) or not access.may(user, "see.inbox"):
        return {}
    return {"inbox_waiting": InboxItem.objects.filter(site_id=user.site_id).waiting().count}
