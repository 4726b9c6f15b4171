"""What every page's masthead shows, and small formats of the look."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest


def masthead(request: HttpRequest) -> dict[str, Any]:
    """Return what the base template needs on every page."""
    return {}
